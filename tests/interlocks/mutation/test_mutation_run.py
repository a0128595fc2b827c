"""Weakenings: all of them are found, and each is judged as the weakened file itself would be."""

from __future__ import annotations

import pytest

from engine import checked, search_c
from evidence_build import built_quickly
from stillgate.controller.effort import Effort
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.checking.checker import check as check_function
from stillgate.interlocks.exploration.parametric_checker import ParametricChecker
from stillgate.interlocks.loop.closed_loop import close_loop
from stillgate.interlocks.mutation.mutants import switched_controller, weakenings_of
from stillgate.interlocks.mutation.mutation_run import strength
from stillgate.interlocks.results.verdict import Word
from stillgate.interlocks.results.weakenings import StrengthList, Weakening, WeakeningKind
from strength_machines import GUARDED


def weakened(text: str, **how: object) -> StrengthList:
    document = read_machine_text(text)
    with built_quickly():
        result = check_function(document)
        return strength(document, result, **{"effort": Effort(threads=2), **how})  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def guarded() -> StrengthList:
    return weakened(GUARDED, full=True)


def the(found: StrengthList, text: str) -> Weakening:
    return next(item for item in found.weakenings if item.text == text)


def test_at_a_longer_tick_than_the_scan_what_is_not_broken_still_notices(guarded: StrengthList) -> None:
    """The same machine with the tick as its scan: the search is the same, and so is what it notices."""
    finer = GUARDED.replace("scan: 100 ms", "scan: 50 ms").replace("check: {", "check: {tick: 100 ms, ")
    found = weakened(finer, full=True)
    assert found.tick_caution
    assert found.noticed == guarded.noticed > 0


def test_every_atom_exit_override_interlock_and_time_is_weakened() -> None:
    """By hand: 2 + 2 atoms in guards and 1 edge, both ways; the rest once, the time both ways."""
    found = [item.weakening.kind for item in weakenings_of(read_machine_text(GUARDED)).candidates]
    assert {kind: found.count(kind) for kind in WeakeningKind} == {
        WeakeningKind.ATOM_TRUE: 5,
        WeakeningKind.ATOM_FALSE: 5,
        WeakeningKind.INTERLOCK_REMOVED: 1,
        WeakeningKind.OVERRIDE_REMOVED: 1,
        WeakeningKind.EXIT_REMOVED: 2,
        WeakeningKind.TIME_ZEROED: 1,
        WeakeningKind.TIME_DOUBLED: 1,
    }


def test_holds_and_debounces_are_times_too() -> None:
    text = GUARDED.replace("rising(start)", "'held(start, 200 ms)'").replace(
        "start: {from: operator}", "start: {from: operator, debounce: 300 ms}"
    )
    found = [item.weakening for item in weakenings_of(read_machine_text(text)).candidates]
    times = [
        item.text for item in found if item.kind in (WeakeningKind.TIME_ZEROED, WeakeningKind.TIME_DOUBLED)
    ]
    assert times == [
        "main: stopped, exit 1 to running: held(start, 200 ms), time zeroed",
        "main: stopped, exit 1 to running: held(start, 200 ms), time doubled",
        "main: running, exit 1 to stopped: 500 ms, time zeroed",
        "main: running, exit 1 to stopped: 500 ms, time doubled",
        "input start: debounce of 300 ms, time zeroed",
        "input start: debounce of 300 ms, time doubled",
    ]


def test_a_weakening_stands_at_its_line_and_column() -> None:
    found = [item.weakening for item in weakenings_of(read_machine_text(GUARDED)).candidates]
    atom = next(
        item for item in found if item.text.endswith("'guard_2' taken as true") and "override" in item.place
    )
    line = GUARDED.splitlines()[atom.line - 1]
    assert line[atom.column - 1 :].startswith("guard_2, to: stopped")


def test_with_every_switch_off_it_is_the_machine_of_the_file() -> None:
    """The same states at the same depths, for both machines with switches."""
    document = read_machine_text(GUARDED)
    own = search_c(close_loop(document.machine, tick=100, faults=0))
    found = weakenings_of(document)
    for machine in (found.switched, found.doubled):
        loop = close_loop(document.machine, tick=100, faults=0, controller=switched_controller(machine, 100))
        with built_quickly(), ParametricChecker(loop, effort=Effort(threads=1)) as checker:
            answer = checker.ask(())
            assert answer.outcome is not None
            assert answer.outcome.states == len(own.depths)
            assert answer.outcome.levels == own.levels


OVERRIDE = "[{when: not guard_1 or not guard_2, to: stopped}]"
UNLESS = "unless: guard_1 and guard_2"
BY_HAND = [
    ("main: override 1 to stopped: override removed", OVERRIDE, "[]"),
    ("main: stopped, exit 1 to running: 'rising(start)' taken as true", "when: rising(start)", "when: true"),
    pytest.param(
        "main: running, exit 1 to stopped: 500 ms, time zeroed",
        "after: 500 ms",
        "after: 0 ms",
        marks=pytest.mark.night,
    ),
    pytest.param("interlock 1 on motor: interlock removed", UNLESS, "unless: true", marks=pytest.mark.night),
    ("interlock 1 on motor: 'guard_1' taken as false", UNLESS, "unless: false"),
]


@pytest.mark.parametrize(("text", "old", "new"), BY_HAND)
def test_a_weakening_is_judged_as_the_weakened_file_itself(
    guarded: StrengthList, text: str, old: str, new: str
) -> None:
    assert old in GUARDED
    verdict = checked(GUARDED.replace(old, new)).verdict
    assert (the(guarded, text).noticed is True) is (verdict is Word.BROKEN)


def test_two_layers_hide_each_other_and_that_is_said(guarded: StrengthList) -> None:
    """Either the override or the interlock may go: nobody notices, so both stand in the list."""
    unnoticed = {item.text for item in guarded.unnoticed}
    assert "main: override 1 to stopped: override removed" in unnoticed
    assert "interlock 1 on motor: interlock removed" in unnoticed
    assert all(item.noticed is False for item in guarded.unnoticed)


@pytest.mark.night
def test_a_requirement_that_speaks_of_the_layer_notices_and_a_broken_one_does_not() -> None:
    text = GUARDED.replace(
        "  can_run:", "  stays_off: {never: main.running and not (seen.guard_1 and seen.guard_2)}\n"
        "  wrong: {never: motor}\n  can_run:"
    )  # fmt: skip
    found = weakened(text)
    noticed = the(found, "main: override 1 to stopped: override removed")
    assert (noticed.noticed, noticed.by, noticed.faults) == (True, "stays_off", 0)
    assert all(item.by != "wrong" for item in found.weakenings)


def test_a_second_channel_is_noticed_under_a_fault_of_the_first_and_the_rest_is_undecided() -> None:
    text = GUARDED.replace("    faults: 0\n", "").replace("    never: motor", "    never: asked.motor")
    found = weakened(text.replace(OVERRIDE, "[]"))
    channel = the(found, "interlock 1 on motor: 'guard_1' taken as true")
    assert (channel.noticed, channel.by, channel.faults, channel.fault) == (
        True, "guard_stops", 1, "guard_2 stuck on",
    )  # fmt: skip
    reasons = [item.reason for item in found.unnoticed if item.noticed is None]
    assert reasons
    assert all("nor under the faults of" in reason for reason in reasons)


def test_where_no_requirement_must_withstand_a_fault_none_is_looked_under() -> None:
    """The guarded motor's one requirement under faults says ``faults: 0``; the check's budget is one."""
    said = weakened(GUARDED).assumptions
    assert any(item.startswith("Looked for without faults only") for item in said)
    assert not any("under every single fault of the signals" in item for item in said)


def test_time_that_is_up_leaves_the_rest_undecided() -> None:
    found = weakened(GUARDED, effort=Effort().within(0.0))
    assert {item.noticed for item in found.weakenings} == {None}
    assert found.noticed == 0
    assert found.share == 0
