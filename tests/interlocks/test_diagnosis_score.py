"""A diagnosis scored: a fault hidden in a simulated log must be found, and be told from the others.

The true fault is among the survivors of every log. It is *pinned down* where nothing else is
left, or only what is proved inseparable from it. The logs are those of people who work the whole
machine (``working_days``), made by chance; a fault that made no difference in one is counted as
not pinned down all the same.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from diagnosed_runs import score, summary
from diagnosis_score import all_scores, fault_names, scored
from stillgate.controller.reader import read_machine
from stillgate.interlocks.hypotheses import NOTHING

MACHINES = Path(__file__).parents[2] / "machines"
SAW, DEMO = MACHINES / "guarded_saw.yaml", MACHINES / "lavender_harvester.yaml"


def test_faults_of_the_saw_are_found_in_their_logs() -> None:
    """One log for every fourth fault."""
    found = [scored(SAW, name, place) for place, name in enumerate(fault_names(SAW)) if place % 4 == 0]
    assert all(item.found for item in found), summary(found)
    assert sum(item.pinned for item in found) >= 0.8 * len(found), summary(found)


def test_a_healthy_log_is_explained_without_a_fault() -> None:
    assert score(read_machine(SAW).machine, NOTHING, seed=1).found


@pytest.mark.night
@pytest.mark.parametrize("machine", [SAW, DEMO], ids=lambda path: path.stem)
def test_every_fault_is_found_in_five_logs(machine: Path, tmp_path: Path) -> None:
    """Five logs for every single fault and every intermittent contact.

    An hour or two for the demo; with ``STILLGATE_SCORES`` naming a folder what is done is kept
    there, and an interrupted night goes on where it was.
    """
    folder = Path(os.environ.get("STILLGATE_SCORES", tmp_path))
    found = all_scores(machine, 5, folder / f"{machine.stem}.jsonl", workers=os.cpu_count() or 1)
    print(summary(found))
    assert all(item.found for item in found), summary(found)
    assert sum(item.pinned for item in found) >= 0.8 * len(found), summary(found)
