"""A diagnosis scored: a fault hidden in a simulated log must be found, and be told from the others.

The true fault is among the survivors of every log. It is *pinned down* where nothing else is
left, or only what is proved inseparable from it. Logs are made by chance, so some do not
exercise what is broken; those are counted as open, and are few.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from diagnosed_runs import Score, score, summary
from stillgate.controller.machine import Machine
from stillgate.controller.reader import read_machine
from stillgate.interlocks.hypotheses import NOTHING, Hypothesis, hypotheses_of

MACHINES = Path(__file__).parents[2] / "machines"


def scores(machine: Machine, logs: int, scans: int, *, every: int = 1) -> list[Score]:
    """Every single fault of a machine, or every so many-th, ``logs`` logs each."""
    faults: list[Hypothesis] = [item for item in hypotheses_of(machine) if item != NOTHING]
    return [
        score(machine, true, seed=1000 * number + log, scans=scans)
        for number, true in enumerate(faults)
        if number % every == 0
        for log in range(logs)
    ]


def test_faults_of_the_saw_are_found_in_their_logs() -> None:
    """One log of a minute for every fourth fault: all found, two in three pinned down so early."""
    found = scores(read_machine(MACHINES / "guarded_saw.yaml").machine, logs=1, scans=3000, every=4)
    assert all(item.found for item in found), summary(found)
    assert sum(item.pinned for item in found) >= 2 / 3 * len(found), summary(found)


def test_a_healthy_log_is_explained_without_a_fault() -> None:
    machine = read_machine(MACHINES / "guarded_saw.yaml").machine
    assert all(score(machine, NOTHING, seed=seed, scans=500).found for seed in range(3))


@pytest.mark.night
def test_every_fault_of_the_demo_is_found_in_five_logs() -> None:
    """Five logs of five minutes for every single fault and every intermittent contact."""
    found = scores(read_machine(MACHINES / "lavender_harvester.yaml").machine, logs=5, scans=15_000)
    print(summary(found))
    assert all(item.found for item in found), summary(found)
    assert sum(item.pinned for item in found) >= 0.8 * len(found), summary(found)
