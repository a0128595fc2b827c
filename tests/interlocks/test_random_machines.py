"""Exploration in C and z3 judge the same random machines, and never contradict each other.

The machines are those that ``test_cross_checks`` walks with the executive and the C controllers.
All are proved or refuted to the end: the time that z3 gets is many times what the hardest one of
them takes, so the load of the computer decides nothing. z3's proofs are checked again and its ways
replayed (``agreement``).

At night more than a thousand more, some seven minutes of one processor:
``pytest -m night tests/interlocks/test_random_machines.py``.
"""

from __future__ import annotations

import time
from contextlib import suppress

import pytest

from agreement import agree
from plants_strategy import twenty_machines
from stillgate.controller.effort import Effort
from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.requirements.monitors import is_judged

CHUNKS, AT_NIGHT = 2, 58
"""Of twenty machines each: forty at every run, for z3 judges the oracle's three hundred; others at night."""

KEPT_DAYS = 7
"""So long the checkers of an older generator stay in pytest's cache."""

ENOUGH = 120.0
"""Seconds for the proofs of a machine; the hardest of all takes two or three."""


def judged_alike(chunk: int) -> None:
    """Asserts that both say the same of every requirement; every other machine has a fault."""
    asked = breaks = holds = 0
    for number, item in enumerate(twenty_machines(chunk)):
        machine = Machine.model_validate(item)
        found = agree(machine, faults=number % 2, effort=Effort().within(ENOUGH))
        asked += sum(is_judged(it, number % 2, possibility=False) for it in machine.requirements.values())
        breaks += sum(found.values())
        holds += len(found) - sum(found.values())
    assert breaks >= 3
    assert holds >= 3
    assert breaks + holds == asked, "none is undecided"


@pytest.fixture
def kept_checkers(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Checkers of the forty, which are the same at every run, stay in pytest's own cache.

    Two thirds of the test's time are the compiler's. A checker is named by the hash of its sources,
    compiler and options, so none is taken for another; ``pytest --cache-clear`` forgets all.
    """
    cache = getattr(request.config, "cache", None)
    if cache is None:
        return
    folder = cache.mkdir("stillgate") / "checkers"
    monkeypatch.setenv("STILLGATE_CACHE", str(folder))
    oldest = time.time() - KEPT_DAYS * 24 * 3600
    for path in (folder / "libraries").glob("*"):
        with suppress(FileNotFoundError):  # another worker was first
            if path.is_file() and path.stat().st_mtime < oldest:
                path.unlink()


@pytest.mark.usefixtures("kept_checkers")
@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_exploration_and_z3_agree_on_forty_random_machines(chunk: int) -> None:
    judged_alike(chunk)


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(CHUNKS, CHUNKS + AT_NIGHT))
def test_exploration_and_z3_agree_on_a_thousand_random_machines_more(chunk: int) -> None:
    judged_alike(chunk)
