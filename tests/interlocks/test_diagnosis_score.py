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
from stillgate.controller.reading.reader import read_machine
from stillgate.interlocks.diagnosis.diagnosis import diagnose
from stillgate.interlocks.diagnosis.hypotheses import NOTHING, hypotheses_of
from stillgate.sim_io.logs.log import Change, LogHeader, Subject, log_in_memory

MACHINES = Path(__file__).parents[2] / "machines"
SAW, DEMO = MACHINES / "guarded_saw.yaml", MACHINES / "lavender_harvester.yaml"


def test_a_sample_of_faults_is_found_and_told_from_the_others() -> None:
    """The first logs of the night for every sixth fault of the saw, and for one of the demo."""
    faults = [*enumerate(fault_names(SAW))][6::6]
    found = [scored(SAW, name, 1000 * place) for place, name in faults]
    demo = fault_names(DEMO)
    found.append(scored(DEMO, "index_out stuck on", 1000 * demo.index("index_out stuck on")))
    assert all(item.found for item in found), summary(found)
    assert sum(item.pinned for item in found) >= 0.8 * len(found), summary(found)


def test_a_healthy_log_is_explained_without_a_fault() -> None:
    assert score(read_machine(SAW).machine, NOTHING, seed=1).found


def test_an_output_that_moves_no_part_stays_among_what_may_be_wrong() -> None:
    """Nothing shows whether a lamp burns, so a healthy log rules no fault of it out."""
    machine = read_machine(DEMO).machine
    log = log_in_memory(
        LogHeader(machine.machine, scan=machine.scan, signals=((Subject.OUTPUT, "full_lamp"),)),
        [Change(0, Subject.OUTPUT, "full_lamp", 0), Change(200, Subject.OUTPUT, "full_lamp", 1)],
    )
    found, _, _ = diagnose(log, machine)
    names = {item.hypothesis.name for item in found.survivors}
    assert {"full_lamp stuck on", "full_lamp stuck off", "steer_left stuck on"} <= names
    listed = len(found.survivors) + len(found.refuted)
    assert listed == len(hypotheses_of(machine))


@pytest.mark.night
@pytest.mark.parametrize("machine", [SAW, DEMO], ids=lambda path: path.stem)
def test_every_fault_is_found_in_five_logs(machine: Path, tmp_path: Path) -> None:
    """Five logs for every single fault and every intermittent contact.

    Two hours of processor for the demo; with ``STILLGATE_SCORES`` naming a folder what is done is kept
    there, and an interrupted night goes on where it was.
    """
    folder = Path(os.environ.get("STILLGATE_SCORES", tmp_path))
    found = all_scores(machine, 5, folder / f"{machine.stem}.jsonl", workers=os.cpu_count() or 1)
    print(summary(found))
    assert all(item.found for item in found), summary(found)
    assert sum(item.pinned for item in found) >= 0.8 * len(found), summary(found)
