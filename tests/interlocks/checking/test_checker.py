"""The whole check: verdicts and their words, caps, findings, the cache."""

from __future__ import annotations

from dataclasses import replace

import pytest

from engine import checked
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.exploration.explorer import Explorer
from stillgate.interlocks.results.verdict import CheckResult, Finding, FindingKind, Word

LAMP = """
machine: lamp
scan: 20 ms
inputs:
  button: {from: operator}
  door:   {contact: normally_closed}
outputs: {lamp: {hazard: glare}, bell: {}}
hazards: {glare: light in the eyes}
sequences:
  light:
    start: dark
    states:
      dark:   {exits: [{when: rising(button) and door, to: bright}]}
      bright: {on: [lamp], exits: [{when: not door, to: dark}, {after: 200 ms, to: ringing}]}
      ringing: {on: [bell], exits: [{after: 100 ms, to: dark}]}
requirements:
  one_only:      {never: lamp and bell}
  door_darkens:  {after: not door, then: not lamp, within: 40 ms, hazard: glare}
  dark_at_once:  {after: not door, then: not lamp, within: 20 ms}
  can_ring:      {reach: bell}
  can_be_dark:   {from_anywhere: light.dark}
  cannot_both:   {reach: lamp and bell}
check: {faults: 1}
"""


@pytest.fixture(scope="module")
def lamp() -> CheckResult:
    return checked(LAMP, use_cache=False)


def verdict(result: CheckResult, name: str) -> Word:
    return next(item.verdict for item in result.requirements if item.name == name)


def findings(text: str, kind: FindingKind, **how: int) -> list[Finding]:
    return [item for item in checked(text, use_cache=False, **how).findings if item.kind is kind]


# -- verdicts ------------------------------------------------------------------------------------


def test_each_requirement_gets_its_own_verdict(lamp: CheckResult) -> None:
    """door_darkens must withstand a fault, for it names a hazard: a lamp stuck on does not."""
    words = {item.name: item.verdict for item in lamp.requirements}
    assert words == {
        "one_only": Word.HOLDS,
        "door_darkens": Word.BROKEN,
        "dark_at_once": Word.HOLDS,
        "can_ring": Word.HOLDS,
        "can_be_dark": Word.HOLDS,
        "cannot_both": Word.BROKEN,
    }
    assert lamp.verdict is Word.BROKEN


def test_a_requirement_says_how_many_faults_it_withstands(lamp: CheckResult) -> None:
    found = {item.name: (item.faults, item.withstands) for item in lamp.requirements}
    assert found["door_darkens"] == (1, 0)
    assert found["one_only"][0] == 0
    assert found["cannot_both"] == (0, None)


def test_what_the_file_asks_for_without_faults_is_not_looked_for_under_one(lamp: CheckResult) -> None:
    """A lamp stuck on breaks it, but nobody asked; that it was left out is said."""
    text = LAMP.replace("{never: lamp and bell}", "{never: lamp and bell, faults: 0}")
    result = checked(text, use_cache=False)
    before = next(item for item in lamp.requirements if item.name == "one_only")
    after = next(item for item in result.requirements if item.name == "one_only")
    assert [item.word for item in before.judgements] == [Word.HOLDS, Word.BROKEN]
    assert [(item.word, item.faults) for item in after.judgements] == [(Word.HOLDS, 0)]
    assert (after.verdict, after.withstands) == (Word.HOLDS, 0)
    said = [item for item in result.assumptions if "'faults: 0'" in item]
    assert len(said) == 1
    assert said[0].endswith(": one_only.")
    others = [item for item in result.requirements if item.name != "one_only"]
    assert [item.verdict for item in others] == [verdict(lamp, item.name) for item in others]


def test_the_story_of_a_break_under_a_fault_names_the_fault(lamp: CheckResult) -> None:
    story = next(item for item in lamp.requirements if item.name == "door_darkens").story
    assert story is not None
    assert story.fault in ("lamp stuck on", "door stuck on")
    assert story.fault in story.headline


def test_without_faults_the_hazard_holds() -> None:
    result = checked(LAMP, faults=0, use_cache=False)
    assert verdict(result, "door_darkens") is Word.HOLDS
    assert len(result.exploration) == 1


def test_a_verdict_has_the_place_of_its_requirement(lamp: CheckResult) -> None:
    lines = LAMP.splitlines()
    for item in lamp.requirements:
        assert lines[item.line - 1].strip().startswith(item.name)


def test_at_another_tick_nothing_holds_and_the_tick_stands_with_every_judgement() -> None:
    result = checked(LAMP, tick=100, faults=0, use_cache=False)
    assert result.tick == 100
    assert {item.verdict for item in result.requirements} == {Word.NOT_BROKEN, Word.BROKEN}
    assert {item.withstands for item in result.requirements} == {None}
    assert verdict(result, "can_ring") is Word.NOT_BROKEN, "what is possible at 100 ms may not be at the scan"
    assert {item.tick for found in result.requirements for item in found.judgements} == {100}
    assert any("100 ms" in text and "20 ms" in text for text in result.assumptions)


# -- caps ----------------------------------------------------------------------------------------


def test_a_state_cap_leaves_what_did_not_break_undecided_and_says_how_far_it_got() -> None:
    result = checked(LAMP, max_states=4, faults=0, use_cache=False)
    assert result.verdict is Word.UNDECIDED
    judged = next(item for item in result.requirements if item.name == "one_only").judgements[0]
    assert judged.word is Word.UNDECIDED
    assert "state cap" in judged.reason
    assert str(result.exploration[0].states) in judged.reason
    assert not result.exploration[0].exhausted


def test_a_time_limit_of_nothing_leaves_everything_undecided() -> None:
    result = checked(LAMP, time_limit=0.0, faults=0, use_cache=False)
    assert result.verdict is Word.UNDECIDED
    assert result.exploration[0].stopped_by == "time limit"


def test_a_break_found_before_a_cap_stays_broken() -> None:
    """Broken outranks undecided."""
    text = LAMP.replace("{never: lamp and bell}", "{never: light.dark}")
    result = checked(text, max_states=4, faults=0, use_cache=False)
    assert verdict(result, "one_only") is Word.BROKEN
    assert verdict(result, "can_be_dark") is Word.UNDECIDED
    assert result.verdict is Word.BROKEN


def test_a_capped_search_finds_nothing_unreached() -> None:
    """What was not looked at is not 'never reached'."""
    result = checked(LAMP, max_states=4, faults=0, use_cache=False)
    assert not [item for item in result.findings if item.kind is not FindingKind.WARNING]


# -- cache ---------------------------------------------------------------------------------------


def test_the_same_check_comes_out_of_the_cache_and_says_so() -> None:
    first = checked(LAMP, faults=0)
    second = checked(LAMP, faults=0)
    assert second.from_cache
    assert second.requirements == first.requirements
    assert second.findings == first.findings


@pytest.mark.parametrize("how", [{"faults": 1}, {"faults": 0, "tick": 40}])
def test_another_budget_or_tick_is_another_check(how: dict[str, int]) -> None:
    checked(LAMP, faults=0)
    assert not checked(LAMP, **how).from_cache


def test_another_byte_in_the_file_is_another_check() -> None:
    checked(LAMP, faults=0)
    assert not checked(LAMP + "# a remark\n", faults=0).from_cache


def test_a_machine_changed_after_reading_is_another_check_than_its_file() -> None:
    """The bytes of the file say nothing of it: its requirements must not be answered by those of the file."""
    first = checked(LAMP, faults=0)
    document = read_machine_text(LAMP, "lamp.yaml")
    kept = {name: item for name, item in document.machine.requirements.items() if name != "one_only"}
    changed = replace(document, machine=document.machine.model_copy(update={"requirements": kept}))
    assert document.as_read and not changed.as_read
    assert len(check(changed, faults=0).requirements) == len(first.requirements) - 1
    assert check(changed, faults=0).from_cache


def test_a_capped_check_is_not_kept() -> None:
    text = LAMP + "# capped\n"
    assert checked(text, faults=0, max_states=4).verdict is Word.UNDECIDED
    again = checked(text, faults=0)
    assert not again.from_cache
    assert again.exploration[0].exhausted


@pytest.fixture
def interrupted_on_the_way_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C comes when all situations are found and ways to a goal are sought backwards from them."""

    def closure(self: Explorer, *_: object) -> None:
        assert not self.interrupted, "who has pressed Ctrl-C once is not to press it for every goal"
        self.interrupted = True

    monkeypatch.setattr(Explorer, "closure", closure)


@pytest.mark.usefixtures("interrupted_on_the_way_back")
def test_ctrl_c_after_the_search_ends_the_check_too(monkeypatch: pytest.MonkeyPatch) -> None:
    text = LAMP + "# interrupted\n"
    result = checked(text, faults=1)
    assert [(item.faults, item.stopped_by) for item in result.exploration] == [
        (0, "interrupt"),
        (1, "interrupt"),
    ]
    assert verdict(result, "one_only") is Word.HOLDS
    assert verdict(result, "can_be_dark") is Word.UNDECIDED
    monkeypatch.undo()
    assert not checked(text, faults=1).from_cache, "what is undecided is not kept"


# -- findings ------------------------------------------------------------------------------------


def test_a_machine_without_oddities_has_no_findings(lamp: CheckResult) -> None:
    assert lamp.findings == ()


def test_a_state_and_an_exit_that_nothing_leads_to_are_named_at_their_place() -> None:
    text = LAMP.replace("{when: not door, to: dark}", "{when: door and not door, to: lost}").replace(
        "      ringing:", "      lost: {exits: [{when: button, to: dark}]}\n      ringing:"
    )
    found = checked(text, faults=0, use_cache=False).findings
    kinds = {(item.kind, item.subject) for item in found}
    assert (FindingKind.STATE_NEVER_REACHED, "light.lost") in kinds
    assert (FindingKind.EXIT_NEVER_TAKEN, "light: bright, exit 1") in kinds
    assert "light: lost, exit 1" not in {subject for _, subject in kinds}  # said by the state already
    lines = text.splitlines()
    place = next(item for item in found if item.subject == "light.lost")
    assert lines[place.line - 1].strip().startswith("lost:")


def test_a_trigger_that_never_happens_makes_its_requirement_vacuous() -> None:
    text = LAMP.replace(
        "{after: not door, then: not lamp, within: 20 ms}", "{after: lamp and bell, then: lamp, within: 1 s}"
    )
    found = findings(text, FindingKind.VACUOUS, faults=0)
    assert [item.subject for item in found] == ["dark_at_once"]


def test_a_situation_without_a_way_out_is_a_deadlock_with_a_story() -> None:
    """Two bits that wait for each other's sequences."""
    text = LAMP.replace("{after: 100 ms, to: dark}", "{when: lamp, to: dark}")
    found = findings(text, FindingKind.DEADLOCK, faults=0)
    assert len(found) == 1
    assert "light.ringing" in found[0].message
    assert found[0].story is not None


def test_a_state_meant_as_an_end_is_no_deadlock() -> None:
    text = LAMP.replace("{on: [bell], exits: [{after: 100 ms, to: dark}]}", "{on: [bell], end: true}")
    assert findings(text, FindingKind.DEADLOCK, faults=0) == []


def test_a_counter_that_is_asked_out_of_its_bounds_counts_as_broken() -> None:
    text = LAMP.replace("outputs:", "memory: {times: {range: 0..2, start: 0}}\noutputs:").replace(
        "to: ringing}", "to: ringing, do: {times: times + 1}}"
    )
    result = checked(text, faults=0, use_cache=False)
    found = [item for item in result.findings if item.kind is FindingKind.BOUNDS]
    assert [item.subject for item in found] == ["times"]
    assert found[0].breaks
    assert found[0].story is not None
    ringing = [step for step in found[0].story.steps if dict(step.states)["light"] == "ringing"]
    assert len(ringing) >= 3  # the third time is one too many
    assert result.verdict is Word.BROKEN


def test_a_cut_off_goal_tells_the_way_to_where_it_is_lost() -> None:
    text = LAMP.replace("{on: [bell], exits: [{after: 100 ms, to: dark}]}", "{on: [bell], end: true}")
    lost = next(
        item for item in checked(text, faults=0, use_cache=False).requirements if item.name == "can_be_dark"
    )
    assert lost.verdict is Word.BROKEN
    assert lost.story is not None
    assert dict(lost.story.steps[-1].states)["light"] == "ringing"
    assert "no way" in lost.judgements[0].reason


def test_a_goal_that_is_out_of_reach_from_the_start_is_broken_and_not_undecided() -> None:
    """Nothing is to be told: the situation at power-on is cut off already."""
    text = LAMP.replace("{from_anywhere: light.dark}", "{from_anywhere: lamp and bell}")
    result = checked(text, faults=0, use_cache=False)
    lost = next(item for item in result.requirements if item.name == "can_be_dark")
    assert lost.verdict is Word.BROKEN
    assert lost.story is None
    assert "power-on" in lost.judgements[0].reason


CLOCK = """
machine: clock
scan: 20 ms
sequences:
  clock:
    start: tick
    states: {tick: {exits: [{after: 40 ms, to: tock}]}, tock: {exits: [{after: 40 ms, to: tick}]}}
requirements:
  goes_on: {reach: clock.tock}
check: {faults: 0}
"""


def test_a_machine_in_which_nothing_is_open_is_checked() -> None:
    """No input, no part, no fault: no choice has any answers to count."""
    assert checked(CLOCK, use_cache=False).verdict is Word.HOLDS
