"""A small machine for the tests of evidence: a motor behind a guard with two contacts and a contactor."""

from __future__ import annotations

GUARDED = """\
machine: guarded
scan: 100 ms
hazards: {entanglement: a hand reaches the shaft}
inputs:
  start: {from: operator}
  guard_1: {from: operator, contact: normally_closed}
  guard_2: {from: operator, contact: normally_closed}
  still: {}
outputs:
  motor: {hazard: entanglement}
  lamp: {}
parts:
  shaft: {kind: spin, drive: motor, runs_down: 100..200 ms, starts: still, senses: {still: still}}
sequences:
  main:
    start: stopped
    overrides: [{when: not guard_1 or not guard_2, to: stopped}]
    states:
      stopped: {exits: [{when: rising(start), to: running}]}
      running: {on: [motor], exits: [{after: 500 ms, to: stopped}]}
interlocks:
  - {hold_off: motor, unless: guard_1 and guard_2, why: the guard}
requirements:
  guard_stops:
    never: motor and not guard_1 and not guard_2
    hazard: entanglement
    faults: 0
  can_run: {from_anywhere: motor}
check: {faults: 1}
"""
