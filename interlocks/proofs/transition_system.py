"""A closed loop as a transition system in z3: start states, one step, what breaks in it.

The loop is closed with eager inputs and raw states (``lazy=False, canonical=False``): every
free input has a level in every tick, and every memory keeps its value. It is the same system
as the explored one, in which inputs are asked on demand and dead values are dropped: those
two change which states are told apart, not what can happen. So a wrong belief or a value
wrongly taken for dead shows up as a disagreement.

A state is one unknown a stored cell: a Boolean for a truth, else a bit-vector of just the
bits its range needs, less its low bound. That a value outside the range is never assigned is
not assumed but proved, as the condition ``outside`` of the step.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import z3

from stillgate.controller.effort import Effort
from stillgate.controller.errors import UsageError
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.program import Block, Cell

from ..loop.closed_loop import ClosedLoop, close_loop, goal_cell
from .formulas import NO, Formula, Value, any_of, equal, is_yes
from .symbolic_step import Encoder, Environment, Occurrence, width_of

Key = tuple[int, ...]
"""Values of the stored cells, in the order of ``LoopFormula.cells``."""


@dataclass(frozen=True)
class LoopFormula:
    """One loop in z3.

    ``now`` and ``then`` are the unknowns of the state before and after a step. ``begin``
    speaks of ``now`` and ``begin_choices``. ``moves`` makes ``then`` a function of ``now`` and
    ``choices``; ``allowed`` says which answers the choices may have. Conditions on a step, such
    as ``broken``, speak of ``now`` and ``choices`` and mean something only where ``allowed``.
    """

    loop: ClosedLoop
    cells: tuple[Cell, ...]
    now: tuple[Value, ...]
    then: tuple[Value, ...]
    begin: Formula
    begin_choices: tuple[Occurrence, ...]
    moves: Formula
    allowed: Formula
    choices: tuple[Occurrence, ...]
    broken: dict[str, Formula]
    outside: Formula
    goals: dict[str, Formula]
    domain: Formula  # every number of ``now`` within its range
    made: dict[Any, Formula] = field(default_factory=dict)  # of ``now`` and ``then``, to be used again

    @cached_property
    def step(self) -> Formula:
        """One step: ``moves`` with answers that are ``allowed``."""
        return z3.And(self.moves, self.allowed)

    @cached_property
    def position(self) -> dict[Cell, int]:
        """Where each cell stands in a key."""
        return {cell: number for number, cell in enumerate(self.cells)}

    @cached_property
    def unknowns(self) -> dict[str, Value]:
        """The unknown of every choice of a step, by its name."""
        return {item.unknown.decl().name(): item.unknown for item in self.choices}

    @cached_property
    def named(self) -> frozenset[int]:
        """Places of cells whose numbers are names (of states, of faults), so that order means nothing."""
        names = {self.loop.fault}
        return frozenset(number for number, cell in enumerate(self.cells) if cell in names)

    def with_only(self, faults: Iterable[int]) -> LoopFormula:
        """The same loop in which only these faults may begin, given by their numbers."""
        fault = self.then[self.position[self.loop.fault]]
        few = any_of(fault == coded(self.loop.fault, number) for number in (0, *faults))
        return replace(self, allowed=z3.And(self.allowed, few))

    # -- frames ------------------------------------------------------------------------------

    def frame(self, number: int) -> tuple[Value, ...]:
        """Unknowns of the state after ``number`` ticks."""
        return tuple(_state(cell, f"@{number}") for cell in self.cells)

    def at(self, formula: Formula, number: int) -> Formula:
        """A formula of a step, said of tick ``number`` (from 0)."""
        pairs = list(zip(self.now, self.frame(number), strict=True))
        pairs += list(zip(self.then, self.frame(number + 1), strict=True))
        pairs += [(item.unknown, _renamed(item.unknown, f"@{number}")) for item in self.choices]
        return z3.substitute(formula, *pairs)

    def afterwards(self, formula: Formula) -> Formula:
        """A formula of the state before a step, said of the one after it."""
        return z3.substitute(formula, *zip(self.now, self.then, strict=True))

    def is_state(self, key: Sequence[int]) -> Formula:
        """That the state before the step is this one."""
        return z3.And(
            *(
                unknown == coded(cell, value)
                for cell, unknown, value in zip(self.cells, self.now, key, strict=True)
            )
        )

    # -- models ------------------------------------------------------------------------------

    def key_of(self, model: Any, unknowns: Sequence[Value]) -> Key:
        """Values of a state in a model."""
        return tuple(
            _decoded(cell, model.eval(unknown, model_completion=True))
            for cell, unknown in zip(self.cells, unknowns, strict=True)
        )

    def begin_picks(self, model: Any) -> list[int]:
        """Answers that lead to the start state of a model."""
        return _picks(model, self.begin_choices)

    def step_picks(self, model: Any) -> list[int]:
        """Answers to the choices of a step in a model, in the order a runner asks them."""
        return _picks(model, self.choices)

    def answers(self, model: Any, number: int) -> Formula:
        """That a step makes the choices of tick ``number`` of a model."""
        values = (
            (unknown, model.eval(_renamed(unknown, f"@{number}"), model_completion=True))
            for unknown in self.unknowns.values()
        )
        return z3.And(*(unknown == value for unknown, value in values))


def loop_formula(
    machine: Machine, *, tick: Milliseconds, faults: int, effort: Effort | None = None
) -> LoopFormula:
    """The formulas of a machine's closed loop.

    Args:
        tick: period of the step in ms.
        faults: fault budget, 0 or 1.

    Raises:
        OutOfTime: if the effort is over before they are made.
    """
    loop = close_loop(machine, tick=tick, faults=faults, lazy=False, canonical=False, possibility=not faults)
    return formula_of_loop(loop, effort)


def formula_of_loop(loop: ClosedLoop, effort: Effort | None = None) -> LoopFormula:
    """The formulas of a loop closed eagerly.

    Raises:
        OutOfTime: if the effort is over before they are made.
        UsageError: if the loop has inputs that are asked on demand.
    """
    if loop.free:
        raise UsageError("formulas are made from a loop with eager inputs; close it with lazy=False")
    cells = loop.key_cells
    now = tuple(_state(cell, "") for cell in cells)
    then = tuple(_state(cell, "'") for cell in cells)
    width = width_of(_blocks(loop), (*loop.controller.cells, *cells), loop.tick)
    begin = Encoder(width, loop.tick, loop.sensed, "begin ", effort)
    values = _starts(begin, loop)
    begin.run(loop.begin, values)
    starts = [
        equal(unknown, _encoded(cell, values[cell], begin)) for cell, unknown in zip(cells, now, strict=True)
    ]
    step = Encoder(width, loop.tick, loop.sensed, effort=effort)
    values = _starts(step, loop)
    values |= {cell: _widened(cell, unknown, step) for cell, unknown in zip(cells, now, strict=True)}
    _tick(loop, step, values)
    moves = [
        equal(unknown, _encoded(cell, values[cell], step)) for cell, unknown in zip(cells, then, strict=True)
    ]
    domain = z3.And(*(_in_range(cell, unknown) for cell, unknown in zip(cells, now, strict=True)))
    notes = step.notes.broken
    return LoopFormula(
        loop=loop,
        cells=cells,
        now=now,
        then=then,
        begin=z3.And(*starts, *begin.constraints),
        begin_choices=tuple(begin.occurrences),
        moves=z3.And(*moves),
        allowed=z3.And(*step.constraints),
        choices=tuple(step.occurrences),
        broken={name: notes.get(index, NO) for index, name in enumerate(loop.requirement_names)},
        outside=any_of(condition for _, condition in (*step.outside, *begin.outside)),
        goals={name: values.get(goal_cell(index), NO) for index, (name, _) in enumerate(loop.monitors.goals)},
        domain=domain,
    )


def _tick(loop: ClosedLoop, encoder: Encoder, values: Environment) -> None:
    """One tick, in the order that ``closed_loop`` draws."""
    encoder.run(loop.before, values)
    dark = encoder.as_truth(values[loop.dark]) if loop.budget else NO
    powered = dict(values)
    on = z3.simplify(z3.Not(dark))
    for signal in loop.sensed:
        encoder.run(signal.sense, powered, on)
    encoder.run(loop.controller.observe, powered, on)
    encoder.run(loop.controller.decide, powered, on)
    for signal in loop.sensed:  # without power nothing is seen
        for cell in (signal.level, signal.was):
            if cell is not None:
                values[cell] = encoder.constant(cell, 0)
    for cell, value in powered.items():  # a cell that only the controller has met is read by no other
        values[cell] = encoder.joined(dark, values.get(cell, value), value)
    encoder.run(loop.after, values)
    encoder.run(loop.moves, values)


def _blocks(loop: ClosedLoop) -> list[Block]:
    controller = loop.controller
    sensing = [signal.sense for signal in loop.sensed]
    return [loop.begin, loop.before, *sensing, controller.observe, controller.decide, loop.after, loop.moves]


def _starts(encoder: Encoder, loop: ClosedLoop) -> Environment:
    """Every lasting cell at its start value: what is not stored is the same in every state."""
    cells = (*loop.controller.cells, *loop.plant.cells, *loop.key_cells, loop.fault, loop.dark)
    return {cell: encoder.constant(cell, cell.start) for cell in cells}


# -- codes of cells ------------------------------------------------------------------------------


def _bits(cell: Cell) -> int:
    return max(1, (cell.high - cell.low).bit_length())


def _state(cell: Cell, suffix: str) -> Value:
    name = f"{cell.name}{suffix}"
    return z3.Bool(name) if cell.is_truth else z3.BitVec(name, _bits(cell))


def coded(cell: Cell, value: int) -> Value:
    """The code of a cell's value in a state."""
    return z3.BoolVal(bool(value)) if cell.is_truth else z3.BitVecVal(value - cell.low, _bits(cell))


def _decoded(cell: Cell, value: Value) -> int:
    return int(is_yes(value)) if cell.is_truth else int(value.as_long()) + cell.low


def _widened(cell: Cell, unknown: Value, encoder: Encoder) -> Value:
    if cell.is_truth:
        return unknown
    wide = z3.ZeroExt(encoder.width - _bits(cell), unknown)
    return wide + encoder.number(cell.low) if cell.low else wide


def _encoded(cell: Cell, value: Value, encoder: Encoder) -> Value:
    if cell.is_truth:
        return encoder.as_truth(value)
    number = encoder.as_number(value)
    return z3.Extract(_bits(cell) - 1, 0, number - encoder.number(cell.low) if cell.low else number)


def _in_range(cell: Cell, unknown: Value) -> Formula:
    span = cell.high - cell.low
    if cell.is_truth or span == (1 << _bits(cell)) - 1:
        return z3.BoolVal(True)
    return z3.ULE(unknown, span)


# -- choices in a model --------------------------------------------------------------------------


def _renamed(unknown: Value, suffix: str) -> Value:
    return z3.Const(f"{unknown.decl().name()}{suffix}", unknown.sort())


def _picks(model: Any, choices: Sequence[Occurrence]) -> list[int]:
    picks: list[int] = []
    for item in choices:
        if not is_yes(model.eval(item.asked, model_completion=True)):
            continue
        value = model.eval(item.unknown, model_completion=True)
        chosen = int(is_yes(value)) if item.cell.is_truth else int(value.as_signed_long())
        open_values = [
            number
            for condition, number in item.options
            if is_yes(model.eval(condition, model_completion=True))
        ]
        picks.append(open_values.index(chosen))
    return picks
