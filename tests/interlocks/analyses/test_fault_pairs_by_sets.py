"""Pairs of faults over sets of times, against single situations."""

from __future__ import annotations

import pytest

from evidence_build import built_quickly
from machines_strategy import machine_text
from plants_strategy import twenty_machines
from sets_at_once import sets_at_once
from stillgate.controller.effort import Effort
from stillgate.controller.reading.reader import MachineDocument, read_machine_text
from stillgate.interlocks.analyses.fault_pairs import Pairs, fault_pairs_of
from stillgate.interlocks.analyses.fault_table import fault_table_of
from stillgate.interlocks.checking import staged_checker
from strength_machines import GUARDED

TWO_CONTACTS = GUARDED.replace("    faults: 0\n", "").replace("parts:\n", "").replace(
    "  shaft: {kind: spin, drive: motor, runs_down: 100..200 ms, starts: still, senses: {still: still}}\n", ""
)  # fmt: skip


def both(document: MachineDocument) -> tuple[Pairs, Pairs]:
    """The pairs over sets, and one by one."""
    machine, tick = document.machine, document.machine.scan
    with built_quickly():
        rows = fault_table_of(document, effort=Effort(threads=1), tick=tick).rows
        known = fault_pairs_of(machine, rows, tick=tick, effort=Effort(threads=1))
    with sets_at_once(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(staged_checker, "A_FEW", 1)
        found = fault_pairs_of(machine, rows, tick=tick, effort=Effort(threads=1), few=False)
    return found, known


def agree(document: MachineDocument) -> Pairs:
    found, known = both(document)
    depths = {(row.fault, item.requirement): item.depth for row in known.rows for item in row.breaks}
    told = {(row.fault, item.requirement): item for row in found.rows for item in row.breaks}
    assert told.keys() <= depths.keys()
    for place, item in told.items():
        assert item.depth >= depths[place]
        assert item.story is not None
        assert item.story.fault == place[0]
    if not found.undecided:
        assert {row.fault for row in found.rows} == {row.fault for row in known.rows}
    return found


def test_only_both_contacts_together_break_what_the_guard_is_for_over_sets_too() -> None:
    found = agree(read_machine_text(TWO_CONTACTS))
    assert [row.fault for row in found.rows] == ["guard_1 stuck on and guard_2 stuck on"]
    assert found.undecided == 0


def test_two_contacts_before_long_times_are_decided() -> None:
    long = TWO_CONTACTS.replace("scan: 100 ms", "scan: 10 ms").replace("after: 500 ms", "after: 60 s")
    document = read_machine_text(long)
    with sets_at_once(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(staged_checker, "A_FEW", 1_000)
        table = fault_table_of(document, effort=Effort(threads=1), tick=10, pairs=True)
    assert [row.fault for row in table.pairs] == ["guard_1 stuck on and guard_2 stuck on"]
    assert table.pairs_undecided == 0


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(6))
def test_pairs_of_random_machines_over_sets_are_those_of_single_situations(chunk: int) -> None:
    for text in twenty_machines(chunk)[:3]:
        agree(read_machine_text(machine_text(text | {"check": {"faults": 1}}), "random.yaml"))
