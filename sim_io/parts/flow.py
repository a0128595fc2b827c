"""A flow: items pass a place one after another while something runs.

``every`` runs from the end of one item to the beginning of the next, ``lasts`` is how long
an item stays at the place; both count only while the condition holds, so an item stands
still when the conveyor does. When the last item left before power-on nobody knows, unless the
file says that it was just then.
"""

from __future__ import annotations

from stillgate.controller.machine_file.machine import Flow
from stillgate.controller.program.program import Assign, Block, Cell, Constant, If, Ref, Scope

from .base import PartProgram, PlantNames, Range, Timer, choice_of, truth_cell, widened


def lower_flow(name: str, part: Flow, names: PlantNames) -> PartProgram:
    """The program of a flow."""
    every, lasts = widened(part.every, names.period), widened(part.lasts, names.period)
    present = Cell(f"{name}.present", 0, 1, 0, Scope.PART)
    timer = Timer.of(name, (max(every[0], lasts[0]), max(every[1], lasts[1])))
    runs = truth_cell(f"{name}.runs")

    def phase(number: int, span: Range) -> Block:
        return (Assign(present, Constant(number)), *timer.set(span))

    moves = (
        If(
            Ref(runs),
            (If(Ref(present), timer.run(phase(0, every)), timer.run(phase(1, lasts))),),
        ),
    )
    begun = 1 if part.just_entered else 0  # else nobody knows since when, and any time may be over
    starts = [phase(0, (every[0] * begun, every[1])), phase(1, (lasts[0] * begun, lasts[1]))]
    if part.starts == "empty":
        del starts[1]
    item = Ref(present)
    return PartProgram(
        name=name,
        kind=part.kind,
        cells=(present, timer.soonest, timer.latest),
        clocks=timer.clocks,
        events=timer.events,
        begin=choice_of(Cell(f"{name}.begins", 0, 1, 0, Scope.PART, persistent=False), starts),
        conditions=(Assign(runs, names.condition(name, part.runs_while.tree)),),
        moves=moves,
        sensed={"item": item},
        judged={"item": item},
        describe=lambda values: "an item at the place" if values[present] else "no item at the place",
    )
