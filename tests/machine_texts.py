"""A correct machine file as text, and tools to break it in one place."""

from __future__ import annotations

from stillgate.controller.errors import MachineFileError, Problem, Severity
from stillgate.controller.reading.reader import read_machine_text

YARD_GATE = """\
machine: yard_gate
scan: 20 ms
hazards:
  crushing: between the leaf and the post
inputs:
  open_button: {from: operator}
  stop_ok: {from: operator, contact: normally_closed}
  edge_clear: {contact: normally_closed, debounce: 40 ms}
  gate_open: {}
  gate_shut: {}
outputs:
  motor_open: {}
  motor_shut: {hazard: crushing}
memory:
  rail: {range: 0..5, start: 0}
  armed: {}
parts:
  leaf:
    kind: travel
    stops: [shut, open]
    forward: motor_open
    back: motor_shut
    takes: 3..5 s
    senses: {gate_shut: at shut, gate_open: at open}
  fan: {kind: spin, drive: motor_open, runs_down: 1..2 s}
  cars: {kind: flow, while: leaf.at_open, every: 2..3 s, lasts: 1 s}
  bolt:
    kind: automaton
    states:
      out: {exits: [{to: home, when: leaf.moving, takes: 100..200 ms}]}
      home: {exits: [{to: out, freely: true}]}
sequences:
  gate:
    start: resting
    overrides:
      - {when: not stop_ok, to: resting}
    states:
      resting: {exits: [{when: rising(open_button), to: opening, do: {rail: rail + 1}, set: [armed]}]}
      opening: {on: [motor_open], exits: [{when: gate_open, to: waiting}, {after: 8 s, to: resting}]}
      waiting: {exits: [{after: 10 s, to: shutting, when: armed, clear: [armed]}]}
      shutting:
        on: [motor_shut]
        exits: [{when: gate_shut, to: resting}, {when: not edge_clear, to: opening}]
  lamp:
    start: dark
    states:
      dark: {exits: [{when: gate.opening, to: bright}]}
      bright: {exits: [{when: gate.resting, to: dark}]}
interlocks:
  - {hold_off: motor_shut, unless: edge_clear, why: closing edge must be clear}
requirements:
  one_direction: {never: motor_open and motor_shut}
  edge_stops_it: {after: not edge_clear, then: not motor_shut, within: 200 ms, hazard: crushing}
  stays_shut: {after: leaf.at_shut and not motor_open, keep: not leaf.at_open, for: 1 s}
  pressed_first: {before: motor_open, first: seen.open_button, since: not stop_ok}
  can_rest: {from_anywhere: gate.resting}
check: {tick: 100 ms, faults: 1, exclude: [{fault: stop_ok stuck on, why: two contacts in series}]}
"""
"""Ours, a sliding yard gate with every section of a machine file; reads without a warning."""

MARK = "¶"
"""Stands in a replacement before the character that a message should point at."""


def broken(old: str, new: str) -> tuple[str, tuple[int, int] | None]:
    """The yard gate with one text replaced, and the line and column of the mark in it."""
    assert YARD_GATE.count(old) == 1, f"'{old}' stands {YARD_GATE.count(old)} times in the file"
    text = YARD_GATE.replace(old, new)
    at = text.find(MARK)
    if at < 0:
        return text, None
    before = text[:at]
    place = (before.count("\n") + 1, at - (before.rfind("\n") + 1) + 1)
    return text.replace(MARK, ""), place


def problems_of(text: str, severity: Severity = Severity.ERROR) -> list[Problem]:
    """The errors or the warnings of a file."""
    try:
        found = read_machine_text(text).warnings
    except MachineFileError as error:
        found = error.problems
    return [problem for problem in found if problem.severity is severity]
