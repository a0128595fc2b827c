"""Logs through the same logic: what was computed, where it parts, what was broken."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines_strategy import machines, runs
from stillgate.controller.execution.executive import Executive
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.interlocks.replay.log_replay import LogRun, replay, stretches
from stillgate.interlocks.replay.log_to_scans import scans_of
from stillgate.interlocks.replay.replay_results import LogReplay
from stillgate.sim_io.logs.change_capture import ChangeCapture
from stillgate.sim_io.logs.log import ALIVE, Change, Log, LogHeader, Subject, log_in_memory
from stillgate.sim_io.logs.readers import read_log

ROOT = Path(__file__).parents[3]

LAMP = """\
machine: lamp
scan: 20 ms
inputs:
  button: {from: operator}
  door: {contact: normally_closed, active: low}
outputs: {lamp: {hazard: glare}, bell: {}}
hazards: {glare: light in the eyes}
parts:
  shutter: {kind: travel, stops: [shut, open], forward: lamp, back: not lamp, takes: 40..60 ms, senses: {}}
memory: {rings: {range: 0..2, start: 0}}
sequences:
  light:
    start: dark
    states:
      dark: {exits: [{when: rising(button) and door, to: bright}]}
      bright: {on: [lamp], exits: [{when: not door, to: dark}, {after: 200 ms, to: ringing}]}
      ringing: {on: [bell], exits: [{after: 100 ms, to: dark, do: {rings: rings + 1}}]}
requirements:
  door_darkens: {after: not door, then: not lamp, within: 40 ms, hazard: glare}
  no_bell: {never: bell}
  shut_first: {never: bell and shutter.at_open}
"""


@pytest.fixture(scope="module")
def lamp() -> Machine:
    return read_machine_text(LAMP).machine


def recorded(machine: Machine, script: dict[int, dict[str, bool]], scans: int) -> Log:
    """A log of the executive under a script: levels set before a scan."""
    executive = Executive(machine)
    executive.inputs["door"] = True
    capture = ChangeCapture(executive)
    changes: list[Change] = []
    for scan in range(scans):
        executive.inputs.update(script.get(scan, {}))
        executive.scan()
        changes += capture.look()
    changes.append(Change((scans - 1) * machine.scan, Subject.EVENT, ALIVE, None))
    return log_in_memory(LogHeader(machine.machine, scan=machine.scan, signals=capture.signals), changes)


def altered(log: Log, subject: Subject, name: str, *, shift: int = 0, drop: bool = False) -> Log:
    """The same log with one signal said later, or not at all."""
    changes = [
        change if (change.subject, change.name) != (subject, name)
        else Change(change.time + (shift if change.time else 0), subject, name, change.value)
        for change in log.changes()
        if not (drop and (change.subject, change.name) == (subject, name))
    ]  # fmt: skip
    signals = tuple(item for item in log.header.signals if not (drop and item == (subject, name)))
    header = LogHeader(log.header.machine, scan=log.header.scan, signals=signals)
    return log_in_memory(header, sorted(changes, key=lambda change: change.time))


@pytest.mark.parametrize("rest", [60, 62, 63, 64, 65, 66, 127, 128, 129, 1000])
def test_a_rest_of_any_length_is_skipped_without_a_difference(lamp: Machine, rest: int) -> None:
    """The C goes to the end of a stretch once a scan leaves everything as it was, timers included."""
    again = {5: {"button": True}, 8: {"button": False}, 30 + rest: {"button": True}}
    found = replay(recorded(lamp, again, 60 + rest), lamp)
    assert found.agrees
    states = [item.scan for item in found.kept if item.signal[0] is Subject.STATE]
    assert states == [0, 5, 15, 20, 30 + rest, 40 + rest, 45 + rest]


def test_a_pause_of_thirty_years_is_replayed_as_any_other(lamp: Machine) -> None:
    """A clock that was set while the log ran looks like this."""
    first = recorded(lamp, PRESS, 40)
    late = 10**12
    changes = [
        *first.changes(),
        Change(late, Subject.INPUT, "button", 1),
        Change(late, Subject.STATE, "light", "bright"),
        Change(late, Subject.OUTPUT, "lamp", 1),
    ]
    found = replay(log_in_memory(first.header, changes), lamp)
    assert found.agrees
    assert found.kept[-1].time == late


def test_a_parting_is_sure_only_where_everything_before_it_was_known(lamp: Machine) -> None:
    late = altered(recorded(lamp, PRESS, 40), Subject.OUTPUT, "lamp", shift=60)
    changes = tuple(late.changes())
    from_power_on = replace(late.header, from_power_on=True)
    gap = [Change(40, Subject.INPUT, "door", None), Change(60, Subject.INPUT, "door", 1)]
    torn = sorted([*changes, *gap], key=lambda change: change.time)
    sure = []
    for header, told in ((late.header, changes), (from_power_on, changes), (from_power_on, torn)):
        divergence = replay(log_in_memory(header, told), lamp).divergence
        assert divergence is not None
        assert divergence.time == 100
        sure.append(divergence.sure)
    assert sure == [False, True, False]


def test_a_state_is_told_with_what_its_exit_waited_for(lamp: Machine) -> None:
    found = replay(recorded(lamp, PRESS, 40), lamp)
    assert [item.exit_words for item in found.kept if item.exit] == [
        "exit 1: rising(button) and door", "exit 2 after 200 ms", "exit 1 after 100 ms",
    ]  # fmt: skip


PRESS = {5: {"button": True}, 8: {"button": False}}


def test_a_log_of_the_same_controller_agrees_in_every_scan(lamp: Machine) -> None:
    found = replay(recorded(lamp, PRESS, 40), lamp)
    assert found.agrees
    assert found.scans == 40
    assert {name for _, name in found.compared} == {"light", "rings", "lamp", "bell"}


def test_the_timeline_tells_states_with_the_exit_taken(lamp: Machine) -> None:
    found = replay(recorded(lamp, PRESS, 40), lamp)
    states = [(item.time, item.before, item.after) for item in found.kept if item.signal[0] is Subject.STATE]
    assert states == [
        (0, None, "dark"),
        (100, "dark", "bright"),
        (300, "bright", "ringing"),
        (400, "ringing", "dark"),
    ]
    taken = [item.exit for item in found.kept if item.exit]
    assert taken == [
        "light: dark, exit 1 to bright",
        "light: bright, exit 2 to ringing",
        "light: ringing, exit 1 to dark",
    ]


@pytest.mark.parametrize(("shift", "first"), [(20, 100), (60, 100), (-20, 80)])
def test_an_output_written_at_another_time_parts_at_the_first_scan_that_differs(
    lamp: Machine, shift: int, first: int
) -> None:
    found = replay(altered(recorded(lamp, PRESS, 40), Subject.OUTPUT, "lamp", shift=shift), lamp)
    assert found.divergence is not None
    assert found.divergence.time == first
    (signal, said, computed), *_ = found.divergence.differences
    assert signal == (Subject.OUTPUT, "lamp")
    assert said != computed


def test_a_difference_within_the_slack_is_no_parting(lamp: Machine) -> None:
    late = altered(recorded(lamp, PRESS, 40), Subject.OUTPUT, "lamp", shift=40)
    assert replay(late, lamp, slack=40).agrees
    assert not replay(late, lamp, slack=20).agrees


def test_a_signal_that_is_not_recorded_is_not_compared(lamp: Machine) -> None:
    found = replay(altered(recorded(lamp, PRESS, 40), Subject.OUTPUT, "lamp", drop=True), lamp)
    assert found.agrees
    assert (Subject.OUTPUT, "lamp") not in found.compared


def test_an_input_that_is_not_in_the_log_is_taken_as_untouched_and_said(lamp: Machine) -> None:
    found = replay(altered(recorded(lamp, PRESS, 40), Subject.INPUT, "door", drop=True), lamp)
    assert found.assumed == (("door", 1),)  # normally closed: conducts
    assert found.agrees


def test_an_input_that_becomes_unknown_stays_as_it_was_and_is_said(lamp: Machine) -> None:
    log = recorded(lamp, PRESS, 40)
    torn = [*log.changes(), Change(780, Subject.INPUT, "door", None)]
    torn.sort(key=lambda change: change.time)
    found = replay(log_in_memory(log.header, torn), lamp)
    assert found.unknown == ("door",)


def test_broken_requirements_are_told_with_their_time_and_those_about_parts_are_left_to_others(
    lamp: Machine,
) -> None:
    found = replay(recorded(lamp, PRESS, 40), lamp)
    assert [(item.time, item.name) for item in found.broken] == [(300, "no_bell")]
    assert found.judged == ("door_darkens", "no_bell")
    assert found.unjudged == (("shut_first", ("shutter",)),)


def test_a_counter_asked_out_of_its_bounds_is_told(lamp: Machine) -> None:
    script = {scan: {"button": scan % 20 == 5} for scan in range(100)}
    names = [item.name for item in replay(recorded(lamp, script, 100), lamp).broken]
    assert "rings in its bounds" in names


def test_a_foreign_input_is_seen_by_the_next_scan_and_an_output_written_by_the_one_before(
    lamp: Machine,
) -> None:
    changes = [
        Change(0, Subject.INPUT, "door", 1),
        Change(87, Subject.INPUT, "button", 1),
        Change(113, Subject.OUTPUT, "lamp", 1),
    ]
    log = log_in_memory(LogHeader("lamp"), changes)
    groups = [(group.scan, [change.name for change in group.changes]) for group in scans_of(log, 20)]
    assert groups == [(0, ["door"]), (5, ["button", "lamp"])]
    assert replay(log, lamp).agrees


@settings(max_examples=15, deadline=None)
@given(st.data())
def test_replay_of_the_executives_log_agrees_on_random_machines(data: st.DataObject) -> None:
    """The C controller fed from a log in stretches is the executive fed scan by scan."""
    machine = data.draw(machines())
    executive = Executive(machine)
    capture = ChangeCapture(executive)
    changes: list[Change] = []
    taken: list[str] = []
    scans = 0
    for item in data.draw(runs(machine)):
        if not isinstance(item, dict):
            (executive.power_on if item == "on" else executive.power_off)()
            continue
        executive.inputs.update(item)
        executive.scan()
        scans += 1
        changes += capture.look()
        taken += executive.taken
    if not scans:
        return
    changes.append(Change((scans - 1) * machine.scan, Subject.EVENT, ALIVE, None))
    log = log_in_memory(LogHeader(machine.machine, scan=machine.scan, signals=capture.signals), changes)
    found = replay(log, machine)
    assert found.scans == scans
    assert found.agrees
    run = LogRun.of(machine)
    marks = [
        run.controller.program.exit_marks[mark] for _ in stretches(log, run) for mark in run.controller.taken
    ]
    assert marks == taken


@pytest.mark.parametrize(
    "path", sorted((ROOT / "machines" / "field_logs").glob("*.log")), ids=lambda p: p.stem
)
def test_every_field_log_agrees_with_the_demo(path: Path) -> None:
    machine = read_machine(ROOT / "machines" / "lavender_harvester.yaml").machine
    found: LogReplay = replay(read_log(path, machine), machine)
    assert found.agrees
    assert found.broken == ()
