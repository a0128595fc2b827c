"""Exploration in C and z3 judge the same two hundred random machines, and never contradict each other.

The machines are those that ``test_cross_checks`` walks with the executive and the C controllers.
All are proved or refuted to the end: the time that z3 gets is many times what the hardest one of
them takes, so the load of the computer decides nothing. Of the thousands at night some may stay
undecided; they are counted, and may not be more than a small share. z3's proofs are checked again
and its ways replayed (``agreement``).
"""

from __future__ import annotations

import time

import pytest
from agreement import agree
from plants_strategy import twenty_machines
from stillgate.controller.machine import Machine

CHUNKS, AT_NIGHT = 10, 150
"""Of twenty machines each."""

ENOUGH = 120.0
"""Seconds for the proofs of a machine; the hardest of the two hundred takes one."""

UNDECIDED = 0.05
"""Most of a chunk's requirements that may be undecided at night."""


def judged_alike(chunk: int, seconds: float) -> tuple[int, int, int]:
    """How many requirements break, hold and stay undecided, by both; every other machine has a fault.

    Args:
        seconds: for the proofs of one machine.
    """
    asked = breaks = holds = 0
    for number, item in enumerate(twenty_machines(chunk)):
        machine = Machine.model_validate(item)
        found = agree(machine, faults=number % 2, deadline=time.monotonic() + seconds)
        asked += len(machine.requirements)
        breaks += sum(found.values())
        holds += len(found) - sum(found.values())
    return breaks, holds, asked - breaks - holds


@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_exploration_and_z3_agree_on_two_hundred_random_machines(chunk: int) -> None:
    breaks, holds, undecided = judged_alike(chunk, ENOUGH)
    assert breaks >= 3
    assert holds >= 3
    assert not undecided


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(CHUNKS, CHUNKS + AT_NIGHT))
def test_exploration_and_z3_agree_on_thousands_of_random_machines(chunk: int) -> None:
    breaks, holds, undecided = judged_alike(chunk, seconds=60)
    assert breaks >= 3
    assert holds >= 3
    assert undecided <= UNDECIDED * (breaks + holds + undecided)
