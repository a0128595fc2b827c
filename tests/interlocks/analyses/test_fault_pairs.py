"""Pairs of faults: two redundant contacts, of which only both together let the motor run."""

from __future__ import annotations

import csv

import jsonschema
import pytest

from engine import checked, search_c
from evidence_build import built_quickly
from python_search import search
from stillgate.controller.effort import Effort
from stillgate.controller.reading.reader import read_machine_text
from stillgate.diagrams.charts.run_reasons import reasons_of
from stillgate.diagrams.matrices.table import table_csv
from stillgate.interlocks.analyses.fault_pairs import fault_pairs_of
from stillgate.interlocks.analyses.fault_table import fault_table_of
from stillgate.interlocks.loop.closed_loop import close_loop
from stillgate.interlocks.results.fault_table_rows import FaultOutcome, FaultTable
from stillgate.interlocks.results.recording import recording_of_story
from stillgate.interlocks.results.verdict import Word
from stillgate.reports.analyses.fault_table import FAULT_TABLE, fault_table_document
from stillgate.reports.evidence_report.faults import fault_rows_table
from strength_machines import GUARDED

TWO_CONTACTS = """\
machine: two_contacts
scan: 100 ms
hazards: {entanglement: a hand reaches the shaft}
inputs:
  start: {from: operator}
  guard_1: {from: operator, contact: normally_closed}
  guard_2: {from: operator, contact: normally_closed}
outputs:
  motor: {hazard: entanglement}
sequences:
  main:
    start: stopped
    overrides: [{when: not guard_1 or not guard_2, to: stopped}]
    states:
      stopped: {exits: [{when: rising(start), to: running}]}
      running: {on: [motor], exits: [{after: 300 ms, to: stopped}]}
requirements:
  guard_stops: {never: asked.motor and not guard_1 and not guard_2, hazard: entanglement}
check: {faults: 1}
"""


@pytest.fixture(scope="module")
def table() -> FaultTable:
    with built_quickly():
        return fault_table_of(read_machine_text(TWO_CONTACTS), effort=Effort(threads=2), pairs=True)


def test_only_both_contacts_together_break_what_the_guard_is_for(table: FaultTable) -> None:
    """By hand: one welded contact leaves the other one, both leave nothing."""
    assert all(row.outcome is not FaultOutcome.BREAKS for row in table.rows)
    [row] = table.pairs
    assert row.fault == "guard_1 stuck on and guard_2 stuck on"
    assert [(item.requirement, item.hazard, item.counts, item.depth) for item in row.breaks] == [
        ("guard_stops", "entanglement", False, 1)
    ]
    assert table.pairs_undecided == 0


def test_every_pair_of_two_signals_is_searched(table: FaultTable) -> None:
    """Nine faults make 36 pairs; one signal stuck on and off at once makes none, four times."""
    assert len(table.rows) == 9
    assert table.pairs_text.startswith("32 of 32 pairs were searched in every reachable situation; 1 breaks")
    assert any("three faults or more at once" in line for line in table.assumptions)


def test_the_story_tells_both_faults(table: FaultTable) -> None:
    story = table.pairs[0].story
    assert story is not None
    assert story.fault == "guard_1 stuck on and guard_2 stuck on"
    begun = {change.name for step in story.steps for change in step.changes if change.cause.value == "fault"}
    assert begun == {"guard_1", "guard_2"}


def test_the_chart_of_a_pair_is_drawn_with_both_faults(table: FaultTable) -> None:
    """A recording that forgot the first fault differed from the executive, and no report could be written."""
    [row] = table.pairs
    assert row.story is not None
    recording = recording_of_story(read_machine_text(TWO_CONTACTS).machine, row.story, 100)
    assert recording.instants[-1].fault == row.fault
    assert (0, "motor") in reasons_of(recording)


def test_a_pair_is_what_a_single_fault_does_to_a_machine_with_the_other_one_built_in() -> None:
    """The plain method: a controller that takes guard_1 for closed, checked under one fault."""
    assert checked(TWO_CONTACTS).verdict is Word.HOLDS
    welded = TWO_CONTACTS.replace("when: not guard_1 or not guard_2", "when: not guard_2")
    result = checked(welded)
    assert result.verdict is Word.BROKEN
    story = next(item.story for item in result.requirements[0].judgements if item.word is Word.BROKEN)
    assert story is not None
    assert story.fault == "guard_2 stuck on"


def test_under_two_faults_c_and_python_reach_the_same_situations() -> None:
    """Power and outputs included; of two faults the lesser number leads, whichever came first."""
    loop = close_loop(read_machine_text(TWO_CONTACTS).machine, tick=100, faults=2, possibility=False)
    in_python, in_c = search(loop), search_c(loop)
    assert in_c.depths == in_python.depths
    assert in_c.broken == in_python.broken
    cells = list(loop.key_cells)
    first, second = cells.index(loop.fault), cells.index(loop.second)
    begun = {(key[first], key[second]) for key in in_c.depths}
    assert all(not b or a < b for a, b in begun)
    assert {(number, 0) for number in range(10)} <= begun
    assert len([pair for pair in begun if pair[1]]) > 30


@pytest.mark.night
def test_with_parts_that_move_c_and_python_agree_under_two_faults_too() -> None:
    loop = close_loop(read_machine_text(GUARDED).machine, tick=100, faults=2, possibility=False)
    in_python, in_c = search(loop), search_c(loop)
    assert in_c.depths == in_python.depths
    assert in_c.broken == in_python.broken


BROKEN_WITHOUT = """\
machine: broken_without
scan: 10 ms
inputs: {one: {from: operator}, other: {from: operator}}
outputs: {lamp: {}}
sequences:
  main:
    start: dark
    states:
      dark: {exits: [{when: one and other, to: lit}]}
      lit: {on: [lamp]}
requirements: {stays_dark: {never: rising(lamp), faults: 1}}
check:
  faults: 1
  exclude:
    - {fault: one stuck on, why: one of two}
    - {fault: other stuck on, why: one of two}
    - {fault: lamp stuck on, why: one of two}
    - {fault: lamp stuck off, why: one of two}
    - {fault: power interrupted, why: one of two}
"""


def test_what_breaks_without_a_fault_is_not_told_of_a_pair() -> None:
    """Each of the two faults alone keeps it from breaking, so their rows do not tell of it."""
    with built_quickly():
        found = fault_table_of(read_machine_text(BROKEN_WITHOUT), effort=Effort(threads=1), pairs=True)
    assert [row.breaks for row in found.rows] == [(), ()]
    assert found.pairs == ()
    assert found.pairs_undecided == 0


def test_time_that_is_up_leaves_pairs_undecided() -> None:
    machine = read_machine_text(TWO_CONTACTS).machine
    with built_quickly():
        rows = fault_table_of(read_machine_text(TWO_CONTACTS), effort=Effort(threads=2)).rows
        found = fault_pairs_of(machine, rows, tick=100, effort=Effort(threads=2).within(0.0))
    assert found.rows == ()
    assert (found.searched, found.undecided) == (0, 32)
    assert "32 pairs are undecided" in found.text


def test_a_cap_on_situations_leaves_pairs_undecided() -> None:
    machine = read_machine_text(TWO_CONTACTS).machine
    with built_quickly():
        rows = fault_table_of(read_machine_text(TWO_CONTACTS), effort=Effort(threads=2)).rows
        found = fault_pairs_of(machine, rows, tick=100, effort=Effort(threads=2, states=2))
    assert found.undecided > 0
    assert found.searched + found.undecided == 32


def test_pairs_are_in_the_json_as_its_schema_says(table: FaultTable) -> None:
    document = fault_table_document(table, "two_contacts.yaml")
    jsonschema.validate(document, FAULT_TABLE)
    assert [row["fault"] for row in document["pairs"]] == ["guard_1 stuck on and guard_2 stuck on"]


def test_pairs_are_lines_of_the_csv_after_the_single_faults(table: FaultTable) -> None:
    lines = table_csv(fault_rows_table(table)).decode("utf-8-sig").splitlines()
    rows = list(csv.DictReader(lines))
    assert [row["fault"] for row in rows[:-1]] == [row.fault for row in table.rows]
    assert rows[-1]["fault"] == "guard_1 stuck on and guard_2 stuck on"
    assert rows[-1]["outcome"] == "breaks a requirement"
