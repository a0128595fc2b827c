"""A small machine with one of everything that a diagram draws."""

from __future__ import annotations

from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine_text

GATE = """\
machine: yard_gate
title: Sliding yard gate
note: Opens on the button and shuts by itself.
scan: 20 ms
inputs:
  open_button: {from: operator}
  stop_ok: {from: operator, contact: normally_closed}
  edge_clear: {contact: normally_closed, debounce: 40 ms}
  gate_open: {}
  gate_shut: {}
outputs:
  motor_open: {}
  motor_shut: {}
  lamp: {}
memory:
  openings: {range: 0..9, start: 0}
parts:
  leaf: {kind: travel, stops: [shut, open], forward: motor_open, back: motor_shut, takes: 3..5 s,
         senses: {gate_shut: at shut, gate_open: at open}}
sequences:
  gate:
    start: resting
    overrides:
      - {when: not stop_ok, to: resting}
    states:
      resting:
        note: nothing moves until somebody presses
        exits:
          - {when: rising(open_button) and openings < 9, to: opening, do: {openings: openings + 1}}
      opening: {on: [motor_open], exits: [{when: gate_open, to: waiting}, {after: 8 s, to: resting}]}
      waiting: {exits: [{after: 10 s, to: shutting}]}
      shutting:
        on: [motor_shut]
        exits:
          - {when: gate_shut, to: resting}
          - {when: not edge_clear, to: opening}
          - {when: 'held(gate_open, 1 s)', to: resting}
  light:
    start: dark
    states:
      dark: {exits: [{when: gate.opening or gate.shutting, to: lit}]}
      lit: {on: [lamp], exits: [{when: gate.resting, to: dark}]}
interlocks:
  - {hold_off: motor_shut, unless: edge_clear, why: closing edge must be clear}
"""


def gate() -> Machine:
    """The machine."""
    return read_machine_text(GATE, "yard_gate.yaml").machine


HOSTILE = r"""
machine: hostile
title: "a <b>\"quoted\" & 'odd'</b> \\N \x07 title > x"
note: "</td></tr> <br/> \\l -> ; } {"
scan: 20 ms
inputs: {a: {from: operator}}
outputs: {digraph: {}}
sequences:
  graph:
    start: node
    states:
      node: {note: "\" ] ; <script>alert(1)</script>", exits: [{when: a, to: edge}]}
      edge: {on: [digraph], note: "&amp; <", exits: [{when: not a, to: node}]}
interlocks:
  - {hold_off: digraph, unless: a, why: "<>&\"'"}
"""
"""A machine whose texts and names would break careless DOT, HTML or SVG."""


def hostile() -> Machine:
    """The machine."""
    return read_machine_text(HOSTILE, "hostile.yaml").machine
