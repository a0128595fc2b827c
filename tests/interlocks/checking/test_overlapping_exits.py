"""Exits of a state that are true in one scan."""

from __future__ import annotations

import pytest

from engine import build_quickly, checked
from machines_strategy import machine_text
from plants_strategy import twenty_machines
from sets_at_once import sets_at_once
from stillgate.controller.c.emit_c import emit_controller
from stillgate.controller.execution.executive import Executive
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.reading.reader import MachineDocument, read_machine_text
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.results.verdict import Finding, FindingKind

FORK = """
machine: fork
scan: 20 ms
inputs: {left: {from: operator}, right: {from: operator}, door: {}}
outputs: {go: {}}
sequences:
  way:
    start: here
    states:
      here:
        exits:
          - {when: left and door, to: there}
          - {when: right and door, to: away}
          - {when: not door, to: away}
      there: {on: [go], exits: [{after: 60 ms, to: here}, {when: not door, to: away}]}
      away: {exits: [{when: door, to: here}, {when: door and left, to: here}]}
requirements: {never_mind: {never: way.here and go}}
"""


def overlaps(text: str) -> list[Finding]:
    found = checked(text, use_cache=False, overlaps=True).findings
    return [item for item in found if item.kind is FindingKind.OVERLAP]


def test_exits_that_can_be_true_at_once_are_told_with_the_one_that_is_taken() -> None:
    told = [(item.subject, item.message.partition(" are true")[0]) for item in overlaps(FORK)]
    assert told == [
        ("way.here", "in way.here exit 1 (to there) and exit 2 (to away)"),
        ("way.there", "in way.there exit 1 (to here) and exit 2 (to away)"),
    ]


def test_exits_that_do_the_same_or_exclude_each_other_are_not_told() -> None:
    subjects = {item.subject for item in overlaps(FORK)}
    assert "way.away" not in subjects  # both go to here and do nothing else
    exclusive = FORK.replace("right and door", "right and door and not left")
    assert [item.subject for item in overlaps(exclusive)] == ["way.there"]


def test_the_place_is_that_of_the_exit_which_loses() -> None:
    line = overlaps(FORK)[0].line
    assert "right and door" in FORK.splitlines()[line - 1]


def test_the_witness_ends_in_a_scan_in_which_both_conditions_are_true_for_the_executive() -> None:
    document = read_machine_text(FORK)
    for finding in overlaps(FORK):
        assert finding.story is not None
        executive = Executive(document.machine)
        *instants, final = finding.story.instants
        for instant in instants:
            executive.inputs.update(instant.circuits)
            executive.scan()
        state = executive.states["way"]
        assert finding.subject == f"way.{state}"
        last = final.circuits
        if state == "here":
            assert last["left"]
            assert last["right"]
            assert last["door"]
        else:
            assert not last["door"]
        executive.inputs.update(last)
        executive.scan()
        assert executive.states["way"] == {"here": "there", "there": "here"}[state or ""]


def test_nothing_is_asked_about_overlaps_unless_wanted() -> None:
    assert not [item for item in checked(FORK, use_cache=False).findings if item.kind is FindingKind.OVERLAP]


def test_the_controller_for_the_processor_holds_nothing_of_it() -> None:
    machine = read_machine_text(FORK).machine
    plain, noting = lower_controller(machine), lower_controller(machine, overlaps=True)
    assert not plain.overlap_marks
    assert len(noting.overlap_marks) == 3
    assert emit_controller(noting)[0].count("  SG_BOUNDS(s, ") == 3
    assert "  SG_BOUNDS(s, " not in emit_controller(plain)[0]


def test_a_capped_search_says_that_more_exits_may_overlap() -> None:
    found = checked(FORK, use_cache=False, overlaps=True, max_states=1).findings
    assert any("more of them may be" in item.message for item in found)


def told(document: MachineDocument) -> list[str]:
    found = check(document, faults=0, use_cache=False, overlaps=True).findings
    return [item.message for item in found if item.kind is FindingKind.OVERLAP]


def test_exits_that_overlap_in_random_machines_are_the_same_over_sets_of_times(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    build_quickly(monkeypatch)
    some = 0
    for text in twenty_machines(0)[:4]:
        own = text | {"requirements": {}, "check": {"faults": 0}}
        document = read_machine_text(machine_text(own), "random.yaml")
        known = told(document)
        with sets_at_once():
            assert told(document) == known
        some += len(known)
    assert some


def test_exits_of_a_machine_with_long_times_are_searched_over_sets_of_times() -> None:
    long = FORK.replace("after: 60 ms", "after: 40 s")
    with sets_at_once():
        assert [item.subject for item in overlaps(long)] == ["way.here", "way.there"]
