"""A yard gate small enough to be searched in plain Python, and settings for tests that compile."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop

GATE = """
machine: yard_gate
scan: 20 ms
inputs:
  open_button: {from: operator}
  stop_ok:     {from: operator, contact: normally_closed}
  edge_clear:  {contact: normally_closed, debounce: 40 ms}
  gate_open:   {}
  gate_shut:   {}
outputs: {motor_open: {}, motor_shut: {}}
parts:
  leaf: {kind: travel, stops: [shut, open], forward: motor_open, back: motor_shut, takes: 0.1..0.2 s,
         senses: {gate_shut: at shut, gate_open: at open}}
sequences:
  gate:
    start: resting
    overrides: [{when: not stop_ok, to: resting}]
    states:
      resting: {exits: [{when: rising(open_button), to: opening}]}
      opening: {on: [motor_open], exits: [{when: gate_open, to: waiting}, {after: 0.3 s, to: resting}]}
      waiting: {exits: [{after: 0.1 s, to: shutting}]}
      shutting:
        on: [motor_shut]
        exits: [{when: gate_shut, to: resting}, {when: not edge_clear, to: opening}]
interlocks: [{hold_off: motor_shut, unless: edge_clear}]
requirements:
  one_direction: {never: motor_open and motor_shut}
  edge_stops_it: {after: not edge_clear, then: not motor_shut, within: 200 ms}
  stays_open: {after: falling(open_button), keep: not motor_shut, for: 100 ms}
  asked_for: {before: motor_open, first: rising(open_button), since: gate.resting}
"""


def gate(faults: int, tick: int = 100, **how: bool) -> ClosedLoop:
    document = read_machine_text(GATE, "gate.yaml")
    return close_loop(document.machine, tick=tick, faults=faults, **how)


def quick(examples: int) -> settings:
    """Settings for tests that call a compiler several times an example."""
    return settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck))
