"""The text of a check: complete, in a technician's words, readable at 80 columns."""

from __future__ import annotations

import dataclasses
import re

import pytest

from stillgate.console.words import CAUTION
from stillgate.interlocks.results.verdict import CheckResult, Word
from stillgate.reports.check.check_text import write_check
from stillgate.reports.check.story_text import write_story

from ...samples import SCAN, broken, finding, full_result, holding, result, story, undecided
from ...snapshots import assert_snapshot, printed

FILE = "yard_gate.yaml"


def text_of(check: CheckResult, width: int = 80) -> str:
    return printed(lambda console: write_check(console, check, FILE), width=width)


@pytest.mark.parametrize("width", [80, 132])
def test_a_whole_check_reads_as_in_the_snapshot(width: int) -> None:
    assert_snapshot(f"check_{width}.txt", text_of(full_result(), width))


def test_a_check_in_which_all_hold_reads_as_in_the_snapshot() -> None:
    assert_snapshot("check_holds.txt", text_of(result(holding(tick=SCAN), tick=SCAN)))


def test_at_a_tick_longer_than_the_scan_nothing_is_said_to_hold() -> None:
    outcome = result(holding())
    text = " ".join(text_of(outcome).split()).replace(outcome.tick_caution, "")
    assert not re.search(r"\bholds?\b", text)
    assert "not broken at 100 ms" in text


def test_at_the_scan_the_word_is_a_bare_holds() -> None:
    text = text_of(result(holding(tick=SCAN), tick=SCAN))
    assert "1 holds (under" in text
    assert "holds at" not in text
    assert "not broken" not in text
    assert "checked at the scan of 20 ms, up" in text


def test_nothing_is_called_safe_or_certified() -> None:
    assert not re.search(r"\b(safe|certified)\b", text_of(full_result()), re.IGNORECASE)


def test_the_caution_stands_last() -> None:
    assert " ".join(text_of(full_result()).split()).endswith(CAUTION)


def test_assumptions_and_exclusions_are_always_printed() -> None:
    text = " ".join(text_of(result(holding())).split())
    for assumption in full_result().assumptions:
        assert assumption in text
    assert "motor_open stuck on: two contactors in series, read back" in text


def test_findings_name_file_line_and_column() -> None:
    text = text_of(result(holding(), findings=(finding(), finding(breaks=True))))
    assert "yard_gate.yaml:22:60: exit never taken: no run takes this exit to resting" in text
    assert "yard_gate.yaml:14:20: counter leaves its bounds (counts as broken)" in text


def test_a_story_says_who_changed_what() -> None:
    text = printed(lambda console: write_story(console, story()))
    for sentence in (
        "fault: edge_clear stuck on",
        "operator: open_button goes on",
        "switch: gate_open goes on",
        "part: leaf between shut and open → at",
        "controller: gate resting → shutting",
        "controller: motor_shut goes on",
        "surroundings: edge_clear opens (actuated)",
    ):
        assert sentence in text


def test_a_break_beyond_what_must_be_withstood_is_told_but_does_not_count() -> None:
    item = dataclasses.replace(broken(), faults=0, verdict=Word.NOT_BROKEN)
    text = text_of(result(item))
    assert "It need not withstand one fault, so this does not count." in text
    assert "1 not broken at 100 ms (under" in text


def test_undecided_requirements_say_why_once() -> None:
    twice = result(undecided(), dataclasses.replace(undecided(), name="can_open"), exhausted=False)
    text = " ".join(text_of(twice).split())
    assert "UNDECIDED with no fault: the search was stopped by the state cap can_rest, can_open" in text
    assert text.count("the search was stopped by the state cap") == 1
    assert "stopped by the state cap before every reachable situation was seen" in text


def test_control_characters_of_a_file_do_not_reach_the_terminal() -> None:
    item = dataclasses.replace(broken(), why="red \x1b[31m alert\x07", text="never: \x1b]0;title\x07x")
    assert "\x1b" not in text_of(result(item))
    assert "\x07" not in text_of(result(item))


def test_no_line_of_a_table_is_wider_than_the_console() -> None:
    long = dataclasses.replace(holding("a_" * 30 + "b"), hazard="h" * 40)
    for width in (80, 100):
        text = text_of(result(long, broken()), width)
        for line in text.splitlines():
            assert len(line) <= width or FILE in line
        assert "…" not in text


def test_long_names_break_at_underlines() -> None:
    hazard = dataclasses.replace(
        broken(), name="a_requirement_with_a_long_name_of_forty_x", hazard="falling_frame"
    )
    lines = text_of(result(hazard)).splitlines()
    assert any(" falling_ " in f"{line} " for line in lines)
    assert any(re.search(r" frame( |$)", line) for line in lines)


def test_a_break_says_what_its_named_conditions_stand_for() -> None:
    item = dataclasses.replace(
        broken(),
        text="after not clear, then not motor_shut within 200 ms",
        names=(("open", "gate_open or seen.x"), ("clear", "edge_clear and open")),
    )
    text = text_of(result(item))
    head = f"  {FILE}:31:3: after not clear, then not motor_shut within 200 ms\n"
    assert f"{head}    open: gate_open or seen.x\n    clear: edge_clear and open\n  why: nobody" in text
