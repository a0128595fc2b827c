"""The fault table: what each single fault leads to, over all reachable situations."""

from __future__ import annotations

import pytest

from evidence_build import built_quickly
from stillgate.controller.effort import Effort
from stillgate.controller.errors import UsageError
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.analyses import output_equivalence as first_difference
from stillgate.interlocks.analyses.diagnostic_coverage import coverage_of
from stillgate.interlocks.analyses.fault_table import fault_table_of
from stillgate.interlocks.exploration import parametric_checker
from stillgate.interlocks.results.fault_table_rows import FaultOutcome, FaultTable
from strength_machines import GUARDED


def table(text: str, **how: object) -> FaultTable:
    with built_quickly():
        return fault_table_of(read_machine_text(text), **{"effort": Effort(threads=2), **how})  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def guarded() -> FaultTable:
    return table(GUARDED)


def outcome(found: FaultTable, fault: str) -> FaultOutcome:
    return next(row.outcome for row in found.rows if row.fault == fault)


def test_every_single_fault_has_one_row(guarded: FaultTable) -> None:
    inputs = [
        f"{name} stuck {way}" for name in ("start", "guard_1", "guard_2", "still") for way in ("on", "off")
    ]
    outputs = [f"{name} stuck {way}" for name in ("motor", "lamp") for way in ("on", "off")]
    assert [row.fault for row in guarded.rows] == [*inputs, *outputs, "power interrupted"]
    assert guarded.exploration.exhausted


def test_a_welded_contactor_breaks_what_the_guard_is_for(guarded: FaultTable) -> None:
    row = next(row for row in guarded.rows if row.fault == "motor stuck on")
    assert row.outcome is FaultOutcome.BREAKS
    assert [(item.requirement, item.counts) for item in row.breaks] == [("guard_stops", False)]
    story = row.story
    assert story is not None
    assert story.fault == "motor stuck on"
    assert story.ticks == row.breaks[0].depth
    assert story.window is not None  # where the requirement was waiting, to be shaded in a chart
    assert story.window[1] == story.ticks - 1


def test_the_story_of_a_break_is_a_shortest_one(guarded: FaultTable) -> None:
    """Both contacts open and the contactor welds in the very first scan: nothing is shorter."""
    row = next(row for row in guarded.rows if row.fault == "motor stuck on")
    assert row.breaks[0].depth == 1


@pytest.mark.parametrize("fault", ["still stuck on", "still stuck off", "lamp stuck off"])
def test_what_nothing_reads_or_never_acts_changes_no_output(guarded: FaultTable, fault: str) -> None:
    """The controller never reads 'still', and the lamp is never lit."""
    assert outcome(guarded, fault) is FaultOutcome.HIDDEN


@pytest.mark.parametrize("fault", ["guard_1 stuck off", "guard_2 stuck off"])
def test_a_broken_wire_of_the_guard_stops_the_machine_at_once(guarded: FaultTable, fault: str) -> None:
    row = next(row for row in guarded.rows if row.fault == fault)
    assert row.outcome is FaultOutcome.STOPS
    assert row.stop_time == 0


def test_the_longest_time_to_stop_is_told(guarded: FaultTable) -> None:
    """The running cycle of 500 ms ends; a button that breaks later than it started it leaves a scan less."""
    for fault, time in (("start stuck on", 500), ("start stuck off", 400)):
        row = next(row for row in guarded.rows if row.fault == fault)
        assert row.outcome is FaultOutcome.STOPS
        assert row.stop_time == time


def test_one_of_two_contacts_stuck_on_is_one_channel_lost(guarded: FaultTable) -> None:
    row = next(row for row in guarded.rows if row.fault == "guard_1 stuck on")
    assert row.outcome is FaultOutcome.CHANNEL_LOST
    assert row.channels == ("guard_2",)
    assert row.can_hold_on


def test_a_lamp_that_burns_is_not_dangerous(guarded: FaultTable) -> None:
    row = next(row for row in guarded.rows if row.fault == "lamp stuck on")
    assert row.outcome is FaultOutcome.OTHER
    assert not row.can_hold_on


def test_power_stops_the_machine_while_it_is_out_and_no_longer(guarded: FaultTable) -> None:
    row = next(row for row in guarded.rows if row.fault == "power interrupted")
    assert row.outcome is FaultOutcome.PAUSES
    assert row.stop_time is None


def test_there_is_no_coverage_without_declared_failures(guarded: FaultTable) -> None:
    assert guarded.coverage == ()
    assert any("No diagnostic coverage" in line for line in guarded.assumptions)


def test_coverage_follows_from_the_rows_and_the_declared_failures(guarded: FaultTable) -> None:
    rates = {"guard_1 stuck on": 1.0, "guard_1 stuck off": 3.0}
    (found,) = coverage_of(guarded.rows, rates)
    assert (found.subject, found.dangerous, found.detected, found.ratio) == ("guard_1", 4, 3, 0.75)


@pytest.mark.night
def test_contacts_of_one_switch_hide_one_another() -> None:
    """Two inputs on one part: a short across either changes no output by itself, for both open together.

    That masking is known from guards wired in series (common practice, no source).
    """
    text = GUARDED.replace(
        "parts:\n",
        "parts:\n"
        "  guard: {kind: automaton, starts: shut, senses: {guard_1: at shut, guard_2: at shut}, states:"
        " {shut: {exits: [{to: open, freely: true}]}, open: {exits: [{to: shut, freely: true}]}}}\n",
    ).replace("{from: operator, contact: normally_closed}", "{contact: normally_closed}")
    found = table(text)
    assert outcome(found, "guard_1 stuck on") is FaultOutcome.HIDDEN
    assert outcome(found, "guard_1 stuck off") is FaultOutcome.STOPS


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("start: {from: operator}", "start: {from: operator, debounce: 200 ms}"),
        ("rising(start)", "'held(start, 200 ms)'"),
        pytest.param("rising(start)", "falling(start)", marks=pytest.mark.night),
        pytest.param("rising(start)", "rising(start or guard_1)", marks=pytest.mark.night),
        pytest.param("still: {}", "still: {debounce: 200 ms}", marks=pytest.mark.night),
    ],
)
def test_without_a_fault_the_twin_never_differs(old: str, new: str) -> None:
    """Whatever the twin is asked of an input, it has the same memory of it as the controller."""
    assert old in GUARDED
    text = GUARDED.replace(old, new).replace("{after: 500 ms, to", "{after: 500 ms, when: still or start, to")
    loop = parametric_checker.with_allowances(first_difference._twins(read_machine_text(text).machine, 100))
    events = range(len(loop.requirement_names))
    with built_quickly(), parametric_checker.ParametricChecker(loop, effort=Effort(threads=1)) as checker:
        answer = checker.ask((), stop_at=events)
        assert answer.event is None
        assert answer.outcome is not None
        assert answer.outcome.states > 10
        fault = next(item for item in loop.faults if item.name == "guard_1 stuck on")
        assert checker.ask((parametric_checker.allowance(fault.number),), stop_at=events).event is not None


def test_a_search_that_was_cut_short_leaves_every_row_undecided() -> None:
    found = table(GUARDED, effort=Effort(states=3))
    assert {row.outcome for row in found.rows} == {FaultOutcome.UNDECIDED}
    assert not found.exploration.exhausted


def test_a_machine_without_any_fault_left_is_refused() -> None:
    names = [f"{name} stuck {way}" for name in ("start", "guard_1", "guard_2", "still", "motor", "lamp")
             for way in ("on", "off")]  # fmt: skip
    left_out = ", ".join(f"{{fault: {name}, why: as agreed}}" for name in [*names, "power interrupted"])
    text = GUARDED.replace("check: {faults: 1}", f"check: {{faults: 1, exclude: [{left_out}]}}")
    with pytest.raises(UsageError, match="every fault of this machine is excluded"):
        table(text)


def test_faults_of_outputs_alone_need_no_twin() -> None:
    names = [
        f"{name} stuck {way}" for name in ("start", "guard_1", "guard_2", "still") for way in ("on", "off")
    ]
    left_out = ", ".join(f"{{fault: {name}, why: as agreed}}" for name in names)
    found = table(GUARDED.replace("check: {faults: 1}", f"check: {{faults: 1, exclude: [{left_out}]}}"))
    assert len(found.rows) == 5
    assert found.coverage == ()
    assert FaultOutcome.UNDECIDED not in {row.outcome for row in found.rows}


def test_an_excluded_fault_has_no_row_and_is_named() -> None:
    text = GUARDED.replace(
        "check: {faults: 1}", "check: {faults: 1, exclude: [{fault: motor stuck on, why: two contactors}]}"
    )
    found = table(text)
    assert "motor stuck on" not in [row.fault for row in found.rows]
    assert found.exclusions == (("motor stuck on", "two contactors"),)


COMPARED = """\
machine: compared
scan: 10 ms
inputs:
  go: {from: operator}
  guard_1: {}
  guard_2: {}
outputs: {motor: {hazard: cutting}}
hazards: {cutting: a hand reaches the blade}
parts:
  guard:
    kind: automaton
    starts: shut
    states: {shut: {exits: [{to: open, freely: true}]}, open: {exits: [{to: shut, freely: true}]}}
    senses: {guard_1: at shut, guard_2: at shut}
sequences:
  main:
    start: idle
    overrides:
      - {when: guard_1 xor guard_2, to: locked_out}
      - {when: not guard_1 or not guard_2, to: idle}
    states:
      idle: {exits: [{when: go, to: running}]}
      running: {on: [motor], exits: [{when: not go, to: idle}]}
      locked_out: {}
interlocks:
  - {hold_off: motor, unless: guard_1 and guard_2}
requirements:
  guard_stops: {never: not guard_1 and not guard_2 and motor, hazard: cutting}
check: {faults: 1}
"""


def test_a_comparison_of_channels_stops_the_machine_once_the_fault_shows() -> None:
    """Nobody need open the guard, so the fault may stay for ever; opened once, the channels differ.

    Cross comparison of two channels is the usual measure (ISO 13849-1, annex E; from memory).
    """
    found = table(COMPARED)
    rows = {row.fault: row for row in found.rows}
    welded = rows["guard_1 stuck on"]
    assert welded.outcome is FaultOutcome.STOPS_ONCE_SHOWN
    assert welded.stop_time is None
    assert welded.stop_once_shown == 0
    assert welded.channels == ("guard_2",)
    assert rows["guard_1 stuck off"].outcome is FaultOutcome.STOPS
    (coverage,) = coverage_of(found.rows, {"guard_1 stuck on": 1.0})
    assert coverage.band == "high"


def test_without_the_comparison_the_same_fault_changes_no_output() -> None:
    found = table(COMPARED.replace("      - {when: guard_1 xor guard_2, to: locked_out}\n", ""))
    row = next(row for row in found.rows if row.fault == "guard_1 stuck on")
    assert row.outcome is FaultOutcome.HIDDEN
    assert row.stop_once_shown is None
