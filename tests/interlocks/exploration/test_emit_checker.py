"""The generated step leaves nothing to chance."""

from __future__ import annotations

from engine import checked
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.exploration.emit_checker import checker_source
from stillgate.interlocks.loop.closed_loop import close_loop
from stillgate.interlocks.results.verdict import Word

FAN = """
machine: fan
scan: 20 ms
inputs: {go: {from: operator}, still: {}}
outputs: {motor: {}}
parts:
  blades: {kind: spin, drive: motor, runs_down: 0..100 ms, starts: still, senses: {still: still}}
sequences:
  main:
    start: stopped
    states:
      stopped: {exits: [{when: go, to: running}]}
      running: {on: [motor], exits: [{when: not go, to: stopped}]}
requirements:
  can_stop: {from_anywhere: main.stopped}
"""


def test_part_cells_of_one_value_are_set_wherever_parts_are_unpacked() -> None:
    """They are not in the packed state; left unset, the second stage read whatever lay there."""
    loop = close_loop(read_machine_text(FAN, "fan.yaml").machine, tick=20, faults=0)
    soonest = next(cell for cell in loop.plant.cells if cell.name == "blades.soonest")
    assert soonest.high == 0, "a cell of one value"
    source = checker_source(loop)
    unpack = source[source.index("sg_unpack_parts(") :]
    assert "w->p.blades__soonest = 0;" in unpack[: unpack.index("}")]


def test_a_switch_that_only_a_requirement_sees_can_be_asked_for() -> None:
    """No sequence of the fan reads its standstill switch; a monitor may all the same."""
    text = FAN.replace("  can_stop:", "  told: {never: 'held(motor and seen.still, 100 ms)'}\n  can_stop:")
    result = checked(text, use_cache=False)
    assert {item.name: item.verdict for item in result.requirements} == {
        "told": Word.HOLDS,
        "can_stop": Word.HOLDS,
    }
