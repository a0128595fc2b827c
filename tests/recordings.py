"""Recorded runs of a small machine, and what a log must never claim."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path
from typing import Any

from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine_text
from stillgate.sim_io.logs.log import Change, Log, Signal, Subject, Value
from stillgate.sim_io.logs.recorder import Recorder
from stillgate.sim_io.simulation.simulation import Simulation

TEXT = """\
machine: door
scan: 20 ms
inputs:
  button: {from: operator}
  shut: {}
  low_pin: {active: low}
outputs:
  motor: {}
  lamp: {}
memory:
  strokes: {range: -2..5, start: 0}
  armed: {}
sequences:
  leaf:
    start: resting
    states:
      resting:
        exits: [{when: rising(button), to: moving, do: {strokes: strokes + 1}, set: [armed]}]
      moving:
        on: [motor]
        exits: [{when: shut, to: resting, clear: [armed]}]
  light:
    start: dark
    states:
      dark: {exits: [{when: low_pin, to: lit}]}
      lit: {on: [lamp], exits: [{when: not low_pin, to: dark}]}
requirements:
  can_move: {reach: leaf.moving}
"""

Step = tuple[str, bool] | str
"""An input and its level, or 'off', 'on' or 'blink' of the power."""

RUN: tuple[Step, ...] = (
    "scan", ("button", True), ("low_pin", True), "scan", ("button", False), ("shut", True), "scan",
    "blink", "scan", ("button", True), "off", "scan", "on", ("low_pin", False), "scan", ("button", False),
    ("button", True), ("shut", False), "scan", "scan", ("shut", True),
)  # fmt: skip
"""A run in which everything changes, power interrupted for no scan and for two."""


@cache
def door() -> Machine:
    """A machine with every kind of signal."""
    return read_machine_text(TEXT).machine


def record_run(
    path: Path, steps: Iterable[Step] = RUN, report: Callable[[str], None] = print, **options: Any
) -> Recorder:
    """Records a run; every step is followed by a scan."""
    simulation = Simulation(door())
    recorder = Recorder(path, simulation.executive, machine="door", digest="d" * 64, report=report, **options)
    with recorder:
        play(simulation, recorder, steps)
    return recorder


def play(simulation: Simulation, recorder: Recorder, steps: Iterable[Step]) -> None:
    """Plays steps, each followed by a scan that is recorded."""
    for step in steps:
        if step in ("off", "on"):
            simulation.power(on=step == "on")
        elif step == "blink":
            simulation.executive.power_off()
            simulation.executive.power_on()
        elif not isinstance(step, str):
            simulation.set_input(*step)
        simulation.step()
        recorder.record()


def levels(changes: Iterable[Change], scan: int, end: int) -> dict[tuple[Signal, int], Value]:
    """The value of every signal after every scan up to a time."""
    by_time: dict[int, list[Change]] = {}
    for change in changes:
        by_time.setdefault(change.time, []).append(change)
    now: dict[Signal, Value] = {}
    found: dict[tuple[Signal, int], Value] = {}
    for time in range(0, end + 1, scan):
        for change in by_time.get(time, []):
            if change.subject is not Subject.EVENT:
                now[change.subject, change.name] = change.value
        found |= {(signal, time): value for signal, value in now.items()}
    return found


def assert_claims_nothing_false(log: Log, truth: list[Change]) -> int:
    """Every value that a log claims to know is the true one; returns how many it knows."""
    scan, end = log.header.scan or 1, truth[-1].time
    changes = list(log.changes())
    last = max((change.time for change in changes), default=0)
    true = levels(truth, scan, end)
    claimed = levels(changes, scan, min(end, last))
    for (signal, time), value in claimed.items():
        assert value is None or true[signal, time] == value, f"{signal} at {time} ms"
    return sum(value is not None for value in claimed.values())
