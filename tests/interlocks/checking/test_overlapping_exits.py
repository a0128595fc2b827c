"""Exits of a state that are true in one scan."""

from __future__ import annotations

from engine import checked
from stillgate.controller.c.emit_c import emit_controller
from stillgate.controller.execution.executive import Executive
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.reading.reader import read_machine_text
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
