"""Input scripts: what they may say, what they refuse, and when events act."""

from __future__ import annotations

import pytest

from stillgate.controller.errors import UsageError
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine_text
from stillgate.sim_io.simulation.script import Doing, Event, parse_script, play
from stillgate.sim_io.simulation.simulation import Simulation

MACHINE = """\
machine: press
scan: 20 ms
inputs:
  start: {from: operator}
  guard: {contact: normally_closed}
  still: {}
outputs: {motor: {}, horn: {}}
parts:
  shaft: {kind: spin, drive: motor, runs_down: 100..200 ms, senses: {still: still}, starts: still}
sequences:
  main:
    start: idle
    states:
      idle: {exits: [{when: start and guard, to: running}]}
      running: {on: [motor], exits: [{when: not start or not guard, to: idle}]}
  sound:
    start: quiet
    states:
      quiet: {exits: [{when: main.running, to: loud}]}
      loud: {on: [horn], exits: [{when: main.idle, to: quiet}]}
check: {exclude: [{fault: horn stuck on, why: it is only loud}]}
"""


@pytest.fixture
def press() -> Machine:
    return read_machine_text(MACHINE, "press.yaml").machine


def test_events_are_sorted_and_held_ones_end(press: Machine) -> None:
    events = parse_script(["2 s guard off", "1.5 s start on for 200 ms  # a remark", "", "# nothing"], press)
    assert events == (
        Event(1500, Doing.INPUT, "start", True),
        Event(1700, Doing.INPUT, "start", False),
        Event(2000, Doing.INPUT, "guard", False),
    )


def test_faults_and_power_are_events_too(press: Machine) -> None:
    events = parse_script(["1 s motor stuck on", "2 s power off", "3 s power on"], press)
    assert [(event.doing, event.name, event.on) for event in events] == [
        (Doing.FAULT, "motor stuck on", True),
        (Doing.POWER, "power", False),
        (Doing.POWER, "power", True),
    ]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("start on", "'start on' is not an event; write a line like '3.2 s start on'"),
        ("1 s start up", "'1 s start up' is not an event"),
        ("1 s strat on", "there is no input 'strat'; did you mean 'start'"),
        ("1 s still on", "still is moved by the part shaft and cannot be set"),
        ("1 s motor on", "there is no input 'motor'"),
        ("1 parsec start on", "'parsec' is not a unit of time"),
        ("1 s start on for 3", "'3' is a number without a unit; say '3 ms'"),
        ("1 s mootor stuck on", "there is no fault 'mootor stuck on'; did you mean 'motor'"),
        ("1 s horn stuck on", "there is no fault 'horn stuck on'; the file excludes it"),
    ],
)
def test_a_line_that_cannot_be_meant_is_refused(press: Machine, line: str, said: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_script([line], press)
    assert said in str(caught.value)


def test_a_script_file_names_its_line(press: Machine) -> None:
    with pytest.raises(UsageError, match=r"^day\.txt:2: there is no input"):
        parse_script(["1 s start on", "2 s strat on"], press, "day.txt")


def test_an_event_acts_in_the_first_scan_at_or_after_its_time(press: Machine) -> None:
    events = parse_script(["30 ms start on"], press)
    frames = list(play(Simulation(press), events, 80))
    assert [frame.time for frame in frames] == [0, 20, 40, 60, 80]
    assert [frame.circuits["start"] for frame in frames] == [False, False, True, True, True]
    assert [frame.states["main"] for frame in frames] == ["idle", "idle", "running", "running", "running"]


def test_a_fault_begins_when_the_script_says(press: Machine) -> None:
    events = parse_script(["40 ms motor stuck on"], press)
    frames = list(play(Simulation(press), events, 100))
    assert [frame.outputs["motor"] for frame in frames] == [False, False, True, True, True, True]
    assert frames[-1].states["main"] == "idle"


def test_power_goes_and_comes_back_to_a_cold_start(press: Machine) -> None:
    events = parse_script(["0 s start on", "40 ms power off", "80 ms power on"], press)
    states = [frame.states["main"] for frame in play(Simulation(press), events, 100)]
    assert states == ["running", "running", None, None, "running", "running"]


def test_a_run_without_end_is_refused(press: Machine) -> None:
    with pytest.raises(UsageError, match="is too long; at this scan"):
        next(iter(play(Simulation(press), (), 10**9)))
