"""The generated step leaves nothing to chance."""

from __future__ import annotations

from stillgate.controller.reader import read_machine_text
from stillgate.interlocks.checker_source import checker_source
from stillgate.interlocks.closed_loop import close_loop

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
