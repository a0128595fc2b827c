"""Weakenings of a machine with named conditions: those of the machine written out, each place by itself."""

from __future__ import annotations

from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.mutation.mutants import weakenings_of

PLAIN = """\
machine: m
scan: 20 ms
inputs: {a: {}, b: {}}
outputs: {y: {}}
sequences:
  s:
    start: x
    states:
      x: {exits: [{when: a and not b, to: z}]}
      z: {on: [y], exits: [{when: not a, to: x}]}
interlocks: [{hold_off: y, unless: a and not b}]
"""
NAMED = PLAIN.replace("a and not b", "clear").replace(
    "sequences:", "conditions: {clear: a and not b}\nsequences:"
)


def test_weakenings_are_those_of_the_machine_written_out_at_the_places_of_the_names() -> None:
    plain, named = (weakenings_of(read_machine_text(text)) for text in (PLAIN, NAMED))
    assert [item.weakening.kind for item in named.candidates] == [
        item.weakening.kind for item in plain.candidates
    ]
    assert lower_controller(named.switched) == lower_controller(plain.switched)
    assert lower_controller(named.doubled) == lower_controller(plain.doubled)
    lines = NAMED.splitlines()
    for item in named.candidates:
        weak = item.weakening
        assert "clear" in lines[weak.line - 1] or "not a" in lines[weak.line - 1]
        if weak.subject in ("a", "b") and "clear" in lines[weak.line - 1]:
            assert lines[weak.line - 1][weak.column - 1 :].startswith("clear")
