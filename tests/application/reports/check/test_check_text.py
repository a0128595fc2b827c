"""The text of a check: complete, in a technician's words, readable at 80 columns."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from stillgate.console.words import CAUTION
from stillgate.controller.reading.reader import read_machine
from stillgate.interlocks.results.verdict import Cause, CheckResult, Judgement, StoryChange, Word
from stillgate.reports.check.answer_text import answer_words
from stillgate.reports.check.check_text import write_check
from stillgate.reports.check.story_text import write_story

from ...samples import SCAN, broken, finding, full_result, holding, result, result_of, story, undecided
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
    assert "its requirement does not break at a tick of 100 ms; only --tick scan decides" in text


def test_at_the_scan_the_word_is_a_bare_holds() -> None:
    text = text_of(result(holding(tick=SCAN), tick=SCAN))
    assert text.startswith("HOLDS  yard_gate: its requirement")
    assert "holds at" not in text
    assert "not broken" not in text
    assert "at the scan of 20 ms, up" in text


def test_a_verdict_that_a_proof_found_says_so() -> None:
    item = holding(tick=SCAN)
    first, *others = item.judgements
    proved = dataclasses.replace(first, method="proof by induction")
    item = dataclasses.replace(item, judgements=(proved, *others))
    text = " ".join(text_of(result(item, tick=SCAN)).split())
    assert f"no fault: found by z3 (proof by induction), not by a search: {item.name}" in text
    assert "found by z3" not in text_of(result(holding(tick=SCAN), tick=SCAN))


def test_who_has_z3_is_not_told_to_install_it() -> None:
    item = undecided()
    asked = tuple(
        dataclasses.replace(each, reason=f"{each.reason}; z3: no proof found") for each in item.judgements
    )
    text = " ".join(text_of(result(dataclasses.replace(item, judgements=asked), tick=SCAN)).split())
    assert "stillgate confirm yard_gate.yaml (with more time)" in text
    before = " ".join(text_of(result(undecided(), tick=SCAN)).split())
    assert "needs z3: pip install 'stillgate[z3]'" in before


def test_nothing_is_called_safe_or_certified() -> None:
    assert not re.search(r"\b(safe|certified)\b", text_of(full_result()), re.IGNORECASE)


def test_the_answer_stands_first_and_last_and_the_caution_once_before_it() -> None:
    for check in (full_result(), result(holding(tick=SCAN), tick=SCAN), result(undecided(), tick=SCAN)):
        answer = " ".join(answer_words(check).split())
        text = " ".join(text_of(check).split())
        assert text.startswith(answer)
        assert text.endswith(f"{CAUTION} {answer}")
        assert text.count(CAUTION) == 1


def results_in_words() -> dict[str, CheckResult]:
    """What an answer is expected to say, and of which check."""
    held, one = holding(tick=SCAN), dataclasses.replace(holding("b", tick=SCAN), faults=1)
    no_faults = dataclasses.replace(result(held, one, tick=SCAN), faults=0)
    counted = result(held, one, findings=(finding(breaks=True),), tick=SCAN)
    return {
        "HOLDS  yard_gate: all 2 requirements, 1 of them with any one fault": result(held, one, tick=SCAN),
        "HOLDS  yard_gate: all 2 requirements, none of which must withstand a fault": result(
            held, held, tick=SCAN
        ),
        "HOLDS  yard_gate: its requirement, with any one fault": result(one, tick=SCAN),
        "HOLDS  yard_gate: all 2 requirements, without faults": no_faults,
        "NOTHING ASKED  yard_gate: the file has no requirements": result(tick=SCAN),
        "BROKEN  yard_gate: 1 counter that leaves its bounds: count; 2 hold": counted,
        "BROKEN  yard_gate: 1 of 3 requirements: edge_stops_it; 1 undecided, 1 holds": result(
            held, broken(), undecided(), tick=SCAN
        ),
        "BROKEN AT 100 ms  yard_gate: 1 of 1 requirement: edge_stops_it; only --tick scan decides": result(
            broken()
        ),
        "UNDECIDED  yard_gate: 1 of 2 requirements: can_rest; 1 holds": result(held, undecided(), tick=SCAN),
        "UNDECIDED  yard_gate: all 2 requirements, but not every reachable situation was seen": result(
            held, held, exhausted=False, tick=SCAN
        ),
        "UNDECIDED  yard_gate: none of 2 requirements breaks at a tick of 100 ms; only --tick scan decides": (
            result(holding(), holding())
        ),
    }


@pytest.mark.parametrize("answer", results_in_words())
def test_the_answer_says_how_many_of_how_many_and_names_what_does_not_hold(answer: str) -> None:
    check = results_in_words()[answer]
    assert answer_words(check) == answer
    holds = check.verdict is Word.HOLDS and bool(check.requirements)
    assert answer.startswith("HOLDS") is holds


def test_assumptions_and_exclusions_are_always_printed() -> None:
    check = result(holding())
    text = " ".join(text_of(check).split())
    for item in check.assumed:
        assert f"{item.topic.value} (" in text
        assert f"{item.lead}: {', '.join(item.names)}" if item.names else item.lead in text
    assert "200 ms allows 1 tick edge_stops_it" in text
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
    """It looks like no break that counts, without colour too: one line, and not the word."""
    judgements = (Judgement(Word.HOLDS, 0, SCAN), broken().judgements[1])
    item = dataclasses.replace(broken(), faults=0, verdict=Word.HOLDS, judgements=judgements)
    check = result(item, tick=SCAN)
    text = text_of(check)
    assert "broken" not in text.lower()
    assert re.search(r"edge_stops_it +crushing +holds +not required\n", text)
    assert "  NOT REQUIRED  edge_stops_it  edge_clear stuck on, after 500 ms\n" in text
    assert "operator: open_button goes on" not in text
    story = printed(lambda console: write_check(console, check, FILE, everything=True))
    assert "NOT REQUIRED  edge_stops_it: need not withstand one fault" in story
    assert "operator: open_button goes on" in story


def test_of_many_breaks_that_need_not_hold_a_few_are_told_and_all_on_request() -> None:
    items = [
        dataclasses.replace(broken(), name=f"need_{number}", faults=0, verdict=Word.HOLDS)
        for number in range(8)
    ]
    text = text_of(result(*items, tick=SCAN))
    assert text.count("NOT REQUIRED  need_") == 5
    assert "NOT REQUIRED  and 3 more: stillgate check --all" in text
    every = printed(lambda console: write_check(console, result(*items, tick=SCAN), FILE, everything=True))
    assert every.count("  NOT REQUIRED  need_") == 8


def test_more_than_twenty_rows_are_printed_on_request_only() -> None:
    items = [holding(f"need_{number}", tick=SCAN) for number in range(21)]
    few, check = result(*items[:20], tick=SCAN), result(*items, tick=SCAN)
    assert text_of(few).count("need_") == 20
    text = text_of(check)
    assert "need_" not in text
    assert "21 requirements, a row each with every name and story: stillgate check --all" in text
    every = printed(lambda console: write_check(console, check, FILE, everything=True))
    assert every.count("need_") == 21


def test_a_hazard_says_what_guards_it_and_the_only_one_by_name() -> None:
    sole = dataclasses.replace(holding("edge_stops_it", tick=SCAN), hazard="crushing", faults=1)
    lines = [line.split() for line in text_of(result(sole, holding(tick=SCAN), tick=SCAN)).splitlines()]
    assert ["crushing", "only", "edge_stops_it", "holds", "holds"] in lines
    assert ["shearing", "NONE", "-", "-"] in lines
    assert ["(none", "named)", "1", "holds", "holds"] in lines


def test_the_stories_that_count_stand_nearest_to_the_end_and_the_worst_is_the_last() -> None:
    """What harms somebody outranks what does not, and what needs no fault outranks what does."""
    minor = dataclasses.replace(broken(), name="minor", hazard=None)
    without = (dataclasses.replace(broken().judgements[1], faults=0),)
    worst = dataclasses.replace(broken(), name="worst", judgements=without)
    text = text_of(result(worst, broken(), minor, tick=SCAN))
    order = [
        text.index(word)
        for word in ("Left to judge", "BROKEN  minor", "BROKEN  edge_stops_it", "BROKEN  worst", CAUTION[:20])
    ]
    assert order == sorted(order)


def test_the_formula_of_a_break_is_said_once() -> None:
    told = dataclasses.replace(story(), headline=f"edge_stops_it is broken ({broken().text})")
    judgement = dataclasses.replace(broken().judgements[1], story=told)
    item = dataclasses.replace(broken(), judgements=(judgement,))
    assert text_of(result(item, tick=SCAN), 140).count(item.text) == 1


def test_what_was_not_searched_to_the_end_is_not_said_to_be_used_throughout() -> None:
    text = text_of(result(undecided(), exhausted=False, tick=SCAN))
    assert "never used          not known: not every situation was seen" in text
    assert "no state, exit or trigger" in text_of(result(holding(tick=SCAN), tick=SCAN))


def test_truths_of_parts_at_the_end_are_those_that_the_requirement_reads() -> None:
    truths = {"leaf.moving": True, "leaf.still": False, "saw.turning": True}
    last = dataclasses.replace(story().recording[-1].instant, truths=truths)
    told = dataclasses.replace(story(), recording=(dataclasses.replace(story().recording[-1], instant=last),))
    assert "end: leaf.moving.\n" in printed(lambda console: write_story(console, told, "never: leaf.moving"))
    assert "end: leaf.moving, saw.turning.\n" in printed(
        lambda console: write_story(console, told, "never: a")
    )


def test_what_the_same_hand_changes_in_the_same_way_is_one_line() -> None:
    start = story().steps[0]
    both = tuple(StoryChange(name, "off", "on", Cause.OPERATOR) for name in ("one", "two"))
    told = dataclasses.replace(story(), steps=(dataclasses.replace(start, changes=both),))
    assert "operator: one, two go on" in printed(lambda console: write_story(console, told))


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
            assert len(line) <= width or FILE in line or f"  {long.name}, " in f"{line} "  # never broken
        assert "…" not in text


@pytest.mark.parametrize("width", [40, 60, 80])
def test_names_are_never_broken_in_a_column(width: int) -> None:
    name = "a_requirement_with_a_long_name_of_forty_x"
    item = dataclasses.replace(broken(), name=name, hazard="falling_frame")
    lines = text_of(result(item), width).splitlines()
    assert any(line.startswith(name) for line in lines)
    assert any("falling_frame" in line for line in lines)


DEMO = Path(__file__).parents[4] / "machines" / "lavender_harvester.yaml"
VALVE = {"opposed_valves_never_on": 1}  # which the file lets a fault break
ROWS = 24
"""Lines of the smallest usual terminal; the last is where one types."""


def last_screen(*, tick: int, breaks: dict[str, int]) -> str:
    """What a check of the demo machine leaves on a terminal of 80 x 24."""
    check = result_of(read_machine(DEMO), tick=tick, breaks=breaks)
    text = printed(lambda console: write_check(console, check, "machines/lavender_harvester.yaml"))
    return "\n".join(text.splitlines()[1 - ROWS :]) + "\n"


@pytest.mark.parametrize("tick", [20, 100])
def test_the_last_screen_of_a_check_of_the_demo_holds_answer_hazards_and_what_is_left(tick: int) -> None:
    text = last_screen(tick=tick, breaks=VALVE)
    for hazard in ("cutting", "running_over", "crushing", "falling_frame", "sudden_start", "(none named)"):
        assert f"\n{hazard} " in text
    for row in ("Left to judge", "never used", "no fault asked", "not in this check", "NOT REQUIRED"):
        assert row in text
    answer = (
        "\nHOLDS  lavender_harvester: all 91" if tick == 20 else "\nUNDECIDED  lavender_harvester: none of 91"
    )
    assert answer in text


def test_the_last_screen_of_a_broken_copy_holds_the_story_of_the_break_that_counts() -> None:
    text = last_screen(tick=20, breaks=VALVE | {"standstill_before_arms": 0})
    for line in (
        "BROKEN  standstill_before_arms\n",
        "operator: open_button goes on",
        "motor_shut is still on",
    ):
        assert line in text
    answer = "BROKEN lavender_harvester: 1 of 91 requirements: standstill_before_arms; 90 hold"
    assert " ".join(text.split()).endswith(answer)
    assert "NOT REQUIRED" not in text


def test_the_front_page_shows_the_end_of_a_check_of_the_demo() -> None:
    shown = (DEMO.parents[1] / "README.md").read_text(encoding="utf-8").split("```text\n")[2].split("```")[0]
    text = last_screen(tick=20, breaks=VALVE)
    assert all(line in text.splitlines() for line in shown.splitlines())


def test_a_break_says_what_its_named_conditions_stand_for() -> None:
    item = dataclasses.replace(
        broken(),
        text="after not clear, then not motor_shut within 200 ms",
        names=(("open", "gate_open or seen.x"), ("clear", "edge_clear and open")),
    )
    text = text_of(result(item))
    head = f"  {FILE}:31:3: after not clear, then not motor_shut within 200 ms\n"
    assert f"{head}    open: gate_open or seen.x\n    clear: edge_clear and open\n  why: nobody" in text
