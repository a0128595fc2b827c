"""Two versions of a machine file: words, verdicts, and a shortest way to different outputs."""

from __future__ import annotations

import pytest

from evidence_build import built_quickly
from stillgate.controller.effort import Effort
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.analyses.file_diff import file_changes
from stillgate.interlocks.analyses.version_diff import compare
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.results.comparison import Comparison
from stillgate.interlocks.results.verdict import Word
from strength_machines import GUARDED

START = "when: rising(start)"


def compared(new: str, *, verdicts: bool = False, **how: object) -> Comparison:
    """Both versions held side by side; the new one is checked only if its verdicts matter."""
    documents = read_machine_text(GUARDED, "old.yaml"), read_machine_text(new, "new.yaml")
    with built_quickly():
        own = check(documents[0], faults=0)
        other = check(documents[1], faults=0) if verdicts else own
        return compare(*documents, (own, other), **how)  # type: ignore[arg-type]


def test_a_file_and_itself_are_the_same() -> None:
    found = compared(GUARDED)
    assert found.changes == ()
    assert found.verdicts == ()
    assert found.outputs is Word.HOLDS
    assert found.exploration is not None
    assert found.exploration.exhausted
    assert found.old_digest == found.new_digest


def test_other_names_of_sequences_and_states_change_words_and_no_output() -> None:
    renamed = (
        GUARDED.replace("main", "shaft_drive").replace("running", "turning_now").replace("stopped", "off_now")
    )
    found = compared(renamed)
    assert found.changes
    assert found.outputs is Word.HOLDS


def test_the_same_logic_written_otherwise_gives_the_same_outputs() -> None:
    """De Morgan's law."""
    other = GUARDED.replace("not guard_1 or not guard_2", "not (guard_1 and guard_2)")
    found = compared(other)
    assert [item.section for item in found.changes] == ["sequences"]
    assert found.outputs is Word.HOLDS


def test_a_planted_change_is_told_with_a_shortest_way_to_it() -> None:
    """A level starts where an edge did: the button held over the end of a cycle is the first to show."""
    found = compared(GUARDED.replace(START, "when: start"))
    assert found.outputs is Word.BROKEN
    assert found.differing == ("motor",)
    assert [item.text for item in found.changes] == [
        "main.stopped: 'to running, when rising(start)' is now 'to running, when start'"
    ]
    story = found.difference
    assert story is not None
    first = [instant.circuits for instant in story.instants]
    assert first[-1]["start"] == 1
    assert story.ticks == 2, "pressed while the guard is open; in the next scan the guard is shut"
    assert all(
        not name.startswith(("second__", "free__"))
        for instant in story.instants
        for name in (*instant.circuits, *instant.parts)
    )


def test_a_longer_time_shows_when_the_shorter_one_ends() -> None:
    """500 ms and 600 ms part in the sixth scan after the start: 0, 100, ... 500 ms."""
    found = compared(GUARDED.replace("after: 500 ms", "after: 600 ms"))
    assert found.difference is not None
    assert found.difference.ticks == 6
    assert "motor is off in the old version and on in the new one" in found.outputs_text


@pytest.mark.parametrize("name", ["start", pytest.param("guard_1", marks=pytest.mark.night)])
def test_another_debounce_is_seen_through_two_inputs_of_one_circuit(name: str) -> None:
    old = f"{name}: {{from: operator"
    found = compared(GUARDED.replace(old, f"{old}, debounce: 200 ms"))
    assert found.outputs is Word.BROKEN
    assert found.difference is not None
    assert f"input {name}: debounce was 0 ms, is 200 ms" in [item.text for item in found.changes]


def test_an_input_of_the_new_version_only_is_free_and_told_by_its_name() -> None:
    new = GUARDED.replace("  still: {}\n", "  still: {}\n  fog: {}\n").replace(
        "{after: 500 ms, to: stopped}", "{after: 500 ms, to: stopped}, {when: fog, to: stopped}"
    )
    found = compared(new)
    assert found.outputs is Word.BROKEN
    assert found.difference is not None
    assert found.difference.recording[-1].instant.circuits["fog"]
    assert "input fog added" in [item.text for item in found.changes]


@pytest.mark.night
def test_an_unread_input_with_another_debounce_changes_no_output() -> None:
    found = compared(GUARDED.replace("still: {}", "still: {debounce: 200 ms}"))
    assert found.outputs is Word.HOLDS


def test_verdicts_that_changed_are_listed_with_their_story() -> None:
    new = GUARDED.replace(
        "interlocks:\n  - {hold_off: motor, unless: guard_1 and guard_2, why: the guard}\n", ""
    )
    new = new.replace("overrides: [{when: not guard_1 or not guard_2, to: stopped}]", "overrides: []")
    found = compared(new, verdicts=True)
    change = next(item for item in found.verdicts if item.requirement == "guard_stops")
    assert (change.old, change.new) == (Word.HOLDS, Word.BROKEN)
    assert change.story is not None


def test_a_search_that_was_cut_short_is_undecided_and_says_how_far_it_got() -> None:
    found = compared(GUARDED, effort=Effort(states=2))
    assert found.outputs is Word.UNDECIDED
    assert "stopped by the state cap" in found.outputs_text


def test_outputs_of_one_version_only_are_named_and_left_out() -> None:
    found = compared(GUARDED.replace("  lamp: {}\n", "  horn: {}\n"))
    assert found.outputs is Word.HOLDS
    assert "lamp, horn" in found.outputs_text


def test_outputs_that_did_not_differ_at_a_longer_tick_than_the_scan_are_not_said_to_be_the_same() -> None:
    document = read_machine_text(GUARDED)
    results = check(document, tick=200, faults=0), check(document, tick=200, faults=0)
    found = compare(document, document, results, tick=200)
    assert found.outputs is Word.NOT_BROKEN
    assert "the outputs are the same at 200 ms after every sequence of inputs" in found.outputs_text
    assert found.verdicts == ()


def test_every_section_has_words_for_a_change() -> None:
    new = (
        GUARDED.replace("scan: 100 ms", "scan: 50 ms")
        .replace("runs_down: 100..200 ms", "runs_down: 100..300 ms")
        .replace("  lamp: {}\n", "")
        .replace("unless: guard_1 and guard_2", "unless: guard_1")
        .replace("    faults: 0\n", "")
        .replace("check: {faults: 1}", "check: {tick: 100 ms, faults: 0}")
    )
    documents = read_machine_text(GUARDED), read_machine_text(new)
    assert [item.text for item in file_changes(*documents)] == [
        "the machine: scan was 100 ms, is 50 ms",
        "output lamp removed",
        "part shaft: runs_down was 100 ms to 200 ms, is 100 ms to 300 ms",
        "interlocks: 'motor held off unless guard_1 and guard_2' is now 'motor held off unless guard_1'",
        "requirement guard_stops: faults was 0, is not given",
        "the check: tick was not given, is 100 ms",
        "the check: faults was 1, is 0",
    ]
