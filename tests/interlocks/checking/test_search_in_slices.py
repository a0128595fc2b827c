"""A check in slices: the same verdicts, depths and findings as of the whole, and told what was searched."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from importlib import import_module
from io import StringIO

import pytest
from rich.console import Console

from engine import quick_build
from machines_strategy import SMALL, MachineDict, machine_text, sample
from plants_strategy import closed_machine_dicts
from side_by_side import side_by_side
from stillgate.controller.effort import Effort
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.checking import loop_search, search_plan
from stillgate.interlocks.checking.checker import check, check_within
from stillgate.interlocks.loop.closed_loop import close_loop
from stillgate.interlocks.results.verdict import CheckResult, FindingKind, Judgement, Word
from stillgate.interlocks.slicing.slice_groups import sliced
from stillgate.reports.check.check_json import check_document
from stillgate.reports.check.check_text import write_check

GATE = """
  gate:
    start: resting
    states:
      resting: {exits: [{when: rising(open_button), to: opening}]}
      opening: {on: [motor], exits: [{when: gate_open, to: waiting}, {after: 80 ms, to: resting}]}
      waiting: {exits: [{after: 60 ms, to: resting}, {when: open_button and not open_button, to: opening}]}
"""
LIGHT = """
  light:
    start: dark
    states:
      dark:   {exits: [{when: "held(switch, 40 ms)", to: bright}]}
      bright: {on: [lamp], exits: [{when: not door, to: dark}, {after: 60 ms, to: ringing, set: [rung]}]}
      ringing: {on: [bell], exits: [{after: 40 ms, to: dark}]}
"""
GATE_MUST = """
  gate_rests:  {from_anywhere: gate.resting}
  gate_opens:  {reach: leaf.at_open}
  motor_stops: {after: gate_open, then: not motor, within: 40 ms, hazard: crushing}
  not_waiting: {never: gate.waiting and gate_open}
"""
LIGHT_MUST = """
  rings_late:  {before: bell, first: lamp}
  dark_soon:   {after: not door, then: not lamp, within: 60 ms, hazard: glare}
  rung_once:   {never: rung and light.bright}
  cannot:      {reach: lamp and bell}
"""
HEAD = """
machine: {name}
scan: 20 ms
hazards: {{crushing: between gate and post, glare: light in the eyes}}
"""


def text_of(*, gate: bool, light: bool) -> str:
    """The gate, the light, or both in one file: they have nothing in common."""

    def some(one: str, other: str) -> str:
        return ", ".join(part for part, wanted in ((one, gate), (other, light)) if wanted)

    inputs = some(
        "open_button: {from: operator}, gate_open: {}", "switch: {from: operator}, door: {debounce: 20 ms}"
    )
    leaf = (
        "leaf: {kind: travel, stops: [shut, open], forward: motor, back: not motor, takes: 40..60 ms, "
        "senses: {gate_open: at open}}"
    )
    return "\n".join((
        HEAD.format(name="both" if gate and light else "one"),
        f"inputs: {{{inputs}}}",
        f"outputs: {{{some('motor: {hazard: crushing}', 'lamp: {hazard: glare}, bell: {}')}}}",
        f"memory: {{{some('', 'rung: {start: false}').strip(', ')}}}",
        f"parts: {{{leaf if gate else ''}}}",
        "sequences:" + GATE * gate + LIGHT * light,
        "requirements:" + GATE_MUST * gate + LIGHT_MUST * light,
        "check: {faults: 1}",
    ))  # fmt: skip


BOTH = text_of(gate=True, light=True)
CAP = 800
"""More situations than the gate and the light have by themselves, fewer than both together."""

PAIRS = 40

TIMERS = """
machine: timers
scan: 10 ms
inputs: {go: {from: operator}, guard: {contact: normally_closed}, a: {}, b: {}}
outputs: {motor: {}, lamp: {}, horn: {}}
sequences:
  main: {start: idle, states: {idle: {exits: [{when: go and guard, to: busy}]},
                               busy: {on: [motor], exits: [{when: not guard, to: idle}]}}}
  first: {start: off, states: {off: {exits: [{when: a, to: runs}]},
                               runs: {exits: [{when: not a, to: off}, {after: 1 h, to: told}]},
                               told: {on: [lamp], exits: [{when: not a, to: off}]}}}
  other: {start: off, states: {off: {exits: [{when: b, to: runs}]},
                               runs: {exits: [{when: not b, to: off}, {after: 1 h, to: told}]},
                               told: {on: [horn], exits: [{when: not b, to: off}]}, lost: {}}}
interlocks: [{hold_off: motor, unless: guard}]
requirements:
  no_motor_open: {never: asked.motor and not seen.guard}
  lamp_in_time:  {never: asked.lamp and not seen.a}
  can_tell:      {reach: other.told}
  can_rest:      {from_anywhere: other.off}
check: {faults: 1}
"""
"""Two timers of an hour, each of which can affect one requirement or two."""


@pytest.fixture(autouse=True, scope="module")
def quick_compile() -> Iterator[None]:
    symbolic = import_module("stillgate.interlocks.symbolic.search")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(loop_search, "build_checker", quick_build)
        patch.setattr(symbolic, "OPTIONS", ("-std=gnu11", "-O0", "-w"))
        yield


def checked(text: str, **how: int) -> CheckResult:
    return check(read_machine_text(text, "machine.yaml"), use_cache=False, **how)


@pytest.fixture(scope="module")
def both() -> CheckResult:
    return checked(BOTH, max_states=CAP)


def said(result: CheckResult) -> dict[str, list[tuple[int, Word, int | None]]]:
    """Of each requirement the verdicts, and the length of each way to a break or a goal."""
    return {
        item.name: [
            (one.faults, one.word, one.depth if one.word is Word.BROKEN else None) for one in item.judgements
        ]
        for item in result.requirements
    }


def slices_of(result: CheckResult, number: int) -> list[tuple[str, ...]]:
    return [item.requirements for item in result.exploration[number].slices]


def test_two_machines_in_one_file_get_the_verdicts_that_each_gets_alone(both: CheckResult) -> None:
    alone = said(checked(text_of(gate=True, light=False))) | said(checked(text_of(gate=False, light=True)))
    assert [len(item.slices) for item in both.exploration] == [2, 2], "one search did for both"
    assert said(both) == alone
    assert {word for item in alone.values() for _, word, _ in item} == {Word.HOLDS, Word.BROKEN}


def test_the_verdicts_depths_and_findings_of_slices_are_those_of_the_whole(both: CheckResult) -> None:
    whole = checked(BOTH)
    assert not any(item.slices for item in whole.exploration), "few situations are searched at once"
    assert said(both) == said(whole)
    assert [item.message for item in both.findings] == [item.message for item in whole.findings]


def test_a_story_of_a_slice_tells_what_all_sequences_and_parts_do(monkeypatch: pytest.MonkeyPatch) -> None:
    """It was stepped on the whole machine. The search of the whole is ended before it finds anything."""
    monkeypatch.setattr(search_plan, "FEW", 1)
    monkeypatch.setattr(search_plan, "MANY", 1)
    result = checked(BOTH, faults=0)
    story = next(item.story for item in result.requirements if item.name == "rung_once")
    assert story is not None
    assert {name for name, _ in story.steps[0].states} == {"gate", "light"}
    assert "leaf" in story.start
    assert said(result) == {
        name: [item for item in items if not item[0]] for name, items in said(checked(BOTH, faults=0)).items()
    }


@pytest.fixture(scope="module")
def timers() -> CheckResult:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(search_plan, "FEW", 1000)
        patch.setattr(search_plan, "MANY", 1000)
        return checked(TIMERS)


def test_an_hours_timer_leaves_no_requirement_undecided(timers: CheckResult) -> None:
    assert {name: [word for _, word, _ in items] for name, items in said(timers).items()} == {
        "no_motor_open": [Word.HOLDS] * 2,
        "lamp_in_time": [Word.HOLDS, Word.HOLDS],
        "can_tell": [Word.HOLDS],
        "can_rest": [Word.HOLDS],
    }
    assert timers.verdict is Word.HOLDS
    assert slices_of(timers, 0) == [("no_motor_open",), ("lamp_in_time",), ("can_tell", "can_rest")]
    assert slices_of(timers, 1) == [("no_motor_open",), ("lamp_in_time",)], "nothing asks for the other timer"
    assert not timers.exploration[0].states, "one time alone has more values than are searched one by one"
    assert [bool(item.exploration.sets) for item in timers.exploration[0].slices] == [False, True, True]


def test_what_no_requirement_asks_for_is_searched_for_states_that_are_never_reached(
    timers: CheckResult,
) -> None:
    found = [item.subject for item in timers.findings if item.kind is FindingKind.STATE_NEVER_REACHED]
    assert found == ["other.lost"]
    assert not [item for item in timers.findings if item.kind is FindingKind.DEADLOCK]


def test_a_verdict_says_what_was_left_out(timers: CheckResult) -> None:
    judgement = next(item.judgements[0] for item in timers.requirements if item.name == "no_motor_open")
    assert judgement.left_out == ("a", "b", "lamp", "horn", "first", "other")
    document = check_document(timers, "timers.yaml")
    assert document["requirements"][0]["judgements"][0]["left_out"] == list(judgement.left_out)
    part = document["exploration"][0]["slices"][0]
    assert part["requirements"] == ["no_motor_open"]
    assert part["kept"] == ["go", "guard", "motor", "main"]
    assert part["exploration"]["exhausted"]


def test_a_screen_of_80_columns_says_over_what_was_judged(timers: CheckResult) -> None:
    page = StringIO()
    write_check(Console(file=page, width=80), timers, "timers.yaml")
    words = " ".join(page.getvalue().split())
    assert "no fault: each requirement was judged over all that can affect it, with no search" in words
    assert "no_motor_open, over go, guard, motor, main (4 of 10 names): no fault: every" in words
    explored = page.getvalue().partition("Explored")[2]
    assert all(len(line) <= 80 for line in explored.splitlines())


def test_verdicts_are_told_as_they_are_decided(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(search_plan, "FEW", 1000)
    monkeypatch.setattr(search_plan, "MANY", 1000)
    told: list[tuple[str, Word, int]] = []

    def tell(name: str, judgement: Judgement) -> None:
        told.append((name, judgement.word, judgement.faults))

    check_within(
        read_machine_text(TIMERS, "machine.yaml"), Effort(), faults=0, use_cache=False, on_decided=tell
    )
    names = [name for name, *_ in told]
    assert names == ["no_motor_open", "lamp_in_time", "can_tell", "can_rest"]


def test_what_is_left_when_ctrl_c_comes_is_not_begun(monkeypatch: pytest.MonkeyPatch) -> None:
    """It comes while the second slice is searched; what the first said stays."""
    single = loop_search.LoopSearch.single
    searched: list[tuple[str, ...]] = []

    def interrupted(self: loop_search.LoopSearch, states: int, effort: Effort) -> loop_search.Searched:
        if self.left_out:
            searched.append(self.loop.monitors.requirements)
        if len(searched) == 2:
            raise KeyboardInterrupt
        return single(self, states, effort)

    monkeypatch.setattr(loop_search.LoopSearch, "single", interrupted)
    result = checked(TIMERS, max_states=300, faults=0)
    assert searched == [("no_motor_open",), ("lamp_in_time",)]
    (exploration,) = result.exploration
    assert exploration.stopped_by == "interrupt"
    assert [item.exploration.stopped_by for item in exploration.slices] == ["", *["interrupt"] * 2]
    assert [item.verdict for item in result.requirements] == [Word.HOLDS, *[Word.UNDECIDED] * 3]


def test_what_is_said_does_not_depend_on_the_threads(both: CheckResult) -> None:
    one, two = (checked(BOTH, max_states=CAP, threads=count) for count in (1, 2))
    assert one.requirements == two.requirements
    assert one.findings == two.findings


def test_where_all_can_affect_all_there_is_no_slice() -> None:
    machine = read_machine_text(text_of(gate=True, light=False), "machine.yaml").machine
    for faults in (0, 1):
        assert sliced(close_loop(machine, tick=20, faults=faults, possibility=not faults)) == ()


def test_a_machine_of_many_slices_and_few_situations_is_searched_as_a_whole() -> None:
    """Each slice would be built by itself; only the ranges of its counters are large."""
    counters = [f"n{number}" for number in range(search_plan.SEVERAL + 1)]
    sequences = {
        f"q{name}": {"start": "x", "states": {"x": {"exits": [{"when": "a", "do": {name: "1"}, "to": "x"}]}}}
        for name in counters
    }
    machine: MachineDict = {
        "machine": "counters", "scan": "20 ms", "inputs": {"a": {}}, "outputs": {"lamp": {}},
        "memory": {name: {"range": "0..1000000000"} for name in counters},
        "sequences": sequences,
        "requirements": {f"at_most_{name}": {"never": f"{name} > 1"} for name in counters},
    }  # fmt: skip
    (explored, *_) = check(read_machine_text(machine_text(machine)), use_cache=False, faults=0).exploration
    assert explored.exhausted
    assert explored.slices == ()


def test_an_undecided_row_says_what_has_the_most_values_and_what_else_may_decide() -> None:
    result = checked(TIMERS, max_states=500, faults=0)
    judgement = next(item.judgements[0] for item in result.requirements if item.name == "lamp_in_time")
    assert judgement.word is Word.UNDECIDED
    assert judgement.reason.endswith("; most values has the time in states of first (360000 ticks, 1 h)")
    page = StringIO()
    write_check(Console(file=page, width=80), result, "timers.yaml")
    assert "stillgate confirm timers.yaml" in " ".join(page.getvalue().split())


# -- random machines -----------------------------------------------------------------------------


@cache
def pairs() -> list[tuple[MachineDict, MachineDict]]:
    """Random machines, two by two, the same at every run; their requirements are all judged under a fault."""
    found = sample(closed_machine_dicts(SMALL), 2 * PAIRS + 4, first=5)[4:]
    for item in found:
        item["check"] = {"faults": 1}
    return list(zip(found[::2], found[1::2], strict=True))


def random_pair_is_judged_alike(number: int) -> None:
    """Of two machines in one file, each requirement is judged as in its own; by sets where they decide."""
    left, right = pairs()[number]
    right["scan"] = left["scan"]
    alone = {
        f"{prefix}{name}": items
        for prefix, item in (("l_", left), ("r_", right))
        for name, items in said(checked(machine_text(item))).items()
    }
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(search_plan, "FEW", 1)
        patch.setattr(search_plan, "MANY", 1)
        together = said(checked(machine_text(side_by_side(left, right))))
    decided = 0
    for name, items in together.items():
        for (faults, word, _), (_, expected, _) in zip(items, alone[name], strict=True):
            assert word in (expected, Word.UNDECIDED), (number, name, faults)
            decided += word is expected
    assert decided


def test_random_machines_side_by_side_are_judged_as_each_alone() -> None:
    random_pair_is_judged_alike(0)


@pytest.mark.night
@pytest.mark.parametrize("number", range(1, PAIRS))
def test_more_random_machines_side_by_side_are_judged_as_each_alone(number: int) -> None:
    random_pair_is_judged_alike(number)
