"""Finds a long way in z3 along a way that the explorer found: unrolling where the states are known.

Unrolled over dozens of ticks a goal is out of reach of a solver. The explorer knows a way, in
its own loop, where inputs are asked on demand. Unrolled along its states the question becomes
small: are there levels of every input, in every tick, that take the eager loop through the same
states of the controller, the parts and the monitors? If so, the way is z3's own, to be replayed;
if not, the explorer went where no history of inputs leads, and its beliefs are wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import z3
from stillgate.controller.errors import ProgramFault
from stillgate.controller.program import Cell

from .bounds import answered
from .closed_loop import close_loop
from .explorer import Explorer, Limits
from .incremental_induction import Way
from .invariants import fresh_solver
from .packing import packed_fields, unpack
from .search import build_checker
from .smt import Formula, Value
from .smt_loop import LoopFormula, coded

MOST_STATES = 20_000_000


@dataclass(frozen=True)
class Trail:
    """Values of cells before each tick of a way, the last tick being the one that matters."""

    states: tuple[dict[Cell, int], ...]


def explored_trail(formula: LoopFormula, goal: str, seconds: float | None) -> Trail | None:
    """A shortest way to a goal in the explorer's loop without faults; None if it found none.

    Dead values are kept, so that every cell that both loops have is the same in both.
    """
    loop = close_loop(formula.loop.machine, tick=formula.loop.tick, faults=0, canonical=False)
    fields = packed_fields(loop)
    number = [name for name, _ in loop.monitors.goals].index(goal)
    with Explorer(build_checker(loop), Limits(states=MOST_STATES, seconds=seconds)) as explorer:
        explorer.run()
        record = explorer.record(explorer.breaks + number)
        if record is None:
            return None
        path = explorer.paths([(record.start, record.depth - 1)])[0]
    shared = set(formula.cells)
    keys = [unpack(fields, key) for key in path.keys]
    return Trail(
        tuple(
            {item.cell: value for item, value in zip(fields, key, strict=True) if item.cell in shared}
            for key in keys
        )
    )


def way_along(
    formula: LoopFormula, trail: Trail, condition: Formula, deadline: float | None = None
) -> Way | None:
    """The way through the trail's states to a step with the condition; None if there is none.

    Raises:
        OutOfTime: at the deadline.
    """
    length = len(trail.states)
    solver = fresh_solver(deadline)
    frames = [formula.frame(number) for number in range(length + 1)]
    begin = z3.substitute(formula.begin, *zip(formula.now, frames[0], strict=True))
    solver.add(begin)
    for number, known in enumerate(trail.states):
        conditions = [formula.step, condition] if number + 1 == length else [formula.step]
        later = trail.states[number + 1] if number + 1 < length else {}
        # What is known is put in before the solver sees the step: that leaves little of it.
        constants = [*_pairs(formula, formula.now, known), *_pairs(formula, formula.then, later)]
        for item in conditions:
            solver.add(z3.simplify(formula.at(z3.substitute(item, *constants), number)))
        solver.add(*(unknown == value for unknown, value in _pairs(formula, frames[number], known)))
    if not answered(solver):
        return None
    model = solver.model()
    keys = [formula.key_of(model, frame) for frame in frames]
    step = fresh_solver(deadline)  # the same ticks one by one, to read off the answers
    step.add(formula.step)
    picks: list[list[int]] = []
    for number in range(length):
        step.push()
        step.add(formula.is_state(keys[number]), formula.answers(model, number))
        if not answered(step):
            raise ProgramFault(f"tick {number} of an unrolled way is no step")
        picks.append(formula.step_picks(step.model()))
        keys[number + 1] = formula.key_of(step.model(), formula.then)
        step.pop()
    return Way(formula.begin_picks(model), picks, keys)


def _pairs(
    formula: LoopFormula, unknowns: Sequence[Value], known: dict[Cell, int]
) -> list[tuple[Value, Value]]:
    return [(unknowns[formula.position[cell]], coded(cell, value)) for cell, value in known.items()]
