"""Exploration in C and z3 judge the same two hundred random machines, and never contradict each other.

The machines are those that ``test_cross_checks`` walks with the executive and the C controllers.
z3 gets a limited time for each; what it does not finish is undecided, counted, and may not be more
than a small share. Its proofs are checked again and its ways replayed (``agreement``).
"""

from __future__ import annotations

import time
from functools import cache

import pytest
from agreement import agree
from machines_strategy import SMALL, sample
from plants_strategy import closed_machine_dicts
from stillgate.controller.machine import Machine

PATTERNS = ("never", "always", "response", "invariance", "precedence")
COUNT, CHUNK = 200, 20
MANY = 3000
UNDECIDED = 0.05
"""Most of a chunk's requirements that may be undecided."""


@cache
def drawn(count: int) -> list[dict[str, object]]:
    """The same random machine files at every run: sequences, parts, faults, requirements."""
    return sample(closed_machine_dicts(SMALL, PATTERNS, parts=2), count)


def judged_alike(items: list[dict[str, object]], seconds: float) -> tuple[int, int]:
    """How many requirements break and how many hold, by both; every other machine has a fault.

    Args:
        seconds: for the proofs of one machine.
    """
    asked = breaks = holds = 0
    for number, item in enumerate(items):
        machine = Machine.model_validate(item)
        found = agree(machine, faults=number % 2, deadline=time.monotonic() + seconds)
        asked += len(machine.requirements)
        breaks += sum(found.values())
        holds += len(found) - sum(found.values())
    assert asked - breaks - holds <= UNDECIDED * asked, f"{asked - breaks - holds} of {asked} undecided"
    return breaks, holds


@pytest.mark.parametrize("chunk", range(COUNT // CHUNK))
def test_exploration_and_z3_agree_on_two_hundred_random_machines(chunk: int) -> None:
    breaks, holds = judged_alike(drawn(COUNT)[chunk * CHUNK : (chunk + 1) * CHUNK], seconds=10)
    assert breaks >= 3
    assert holds >= 3


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(MANY // 100))
def test_exploration_and_z3_agree_on_thousands_of_random_machines(chunk: int) -> None:
    breaks, holds = judged_alike(drawn(MANY)[chunk * 100 : (chunk + 1) * 100], seconds=60)
    assert breaks >= 10
    assert holds >= 10
