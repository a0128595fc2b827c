"""Runs a program's statements in Python, for everything that steps slowly and reads closely.

A block becomes nested closures over one list of integers (one slot a cell). No text of a
user's file is ever turned into Python source. The order of evaluation, and so the order of
choices asked, is that of ``program``: left to right, ``and`` and ``or`` stop early.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterable
from typing import Protocol

from ..expressions.expression import Operator
from ..machine_file.field_types import Milliseconds, Ticks
from .controller_program import Signal
from .program import (
    Assign,
    Begin,
    Block,
    Cell,
    Choose,
    Complement,
    Constant,
    If,
    Lookup,
    Note,
    NoteKind,
    Observation,
    Operation,
    Read,
    Ref,
    Remark,
    Statement,
    Switch,
    Term,
    TimeConstant,
    ticks_up,
)

Values = list[int]
"""One integer a cell, in the order of a ``Layout``."""

TermCode = Callable[[Values], int]
BlockCode = Callable[[Values], None]


class Host(Protocol):
    """What a running program asks of its surroundings."""

    def choose(self, cell: Cell, count: int) -> int:
        """Any of 0 .. count - 1."""

    def read(self, values: Values, signal: str, observation: Observation, ticks: Ticks) -> int:
        """Answer to an observation of an input: 0 or 1."""

    def note(self, kind: NoteKind, index: int) -> None:
        """Takes notice of a broken requirement or a covered exit."""


class Layout:
    """Gives every cell its slot; cells are added as they are met.

    Attributes:
        names: of the cells, by slot.
    """

    def __init__(self, cells: Iterable[Cell] = ()) -> None:
        self._slots: dict[Cell, int] = {}
        self.names: list[str] = []
        for cell in cells:
            self.slot(cell)

    def slot(self, cell: Cell) -> int:
        """Slot of a cell, new if it was not met before."""
        slot = self._slots.setdefault(cell, len(self._slots))
        if slot == len(self.names):
            self.names.append(cell.name)
        return slot

    def has(self, cell: Cell) -> bool:
        """Whether a cell has a slot."""
        return cell in self._slots

    @property
    def cells(self) -> tuple[Cell, ...]:
        """Cells by slot."""
        return tuple(self._slots)

    def start_values(self) -> Values:
        """Every cell at its start value."""
        return [cell.start for cell in self._slots]


class OutOfRange(Exception):  # noqa: N818
    """A cell was given a value outside its range: a defect of a lowering, never of a user's file."""


_ARITHMETIC: dict[Operator, Callable[[int, int], int]] = {
    Operator.XOR: operator.xor,
    Operator.EQ: operator.eq,
    Operator.NE: operator.ne,
    Operator.LT: operator.lt,
    Operator.LE: operator.le,
    Operator.GT: operator.gt,
    Operator.GE: operator.ge,
    Operator.ADD: operator.add,
    Operator.SUB: operator.sub,
}


class BlockCompiler:
    """Turns terms and blocks into closures for one layout, period and host."""

    def __init__(self, layout: Layout, period: Milliseconds, host: Host) -> None:
        self.layout = layout
        self.period = period
        self.host = host

    def term(self, term: Term) -> TermCode:
        """Closure that computes a term from the values."""
        match term:
            case Constant(value=value):
                return lambda values: value
            case TimeConstant(milliseconds=milliseconds):
                ticks = ticks_up(milliseconds, self.period)
                return lambda values: ticks
            case Ref(cell=cell):
                slot = self.layout.slot(cell)
                return lambda values: values[slot]
            case Read(signal=signal, observation=observation, milliseconds=milliseconds):
                preset = ticks_up(milliseconds, self.period)
                read = self.host.read
                return lambda values: read(values, signal, observation, preset)
            case Complement(operand=operand):
                inner = self.term(operand)
                return lambda values: 1 - inner(values)
            case Lookup(table=table, index=index):
                position = self.term(index)
                return lambda values: table[position(values)]
            case Operation(operator=Operator.AND, left=left, right=right):
                first, second = self.term(left), self.term(right)
                return lambda values: second(values) if first(values) else 0
            case Operation(operator=Operator.OR, left=left, right=right):
                first, second = self.term(left), self.term(right)
                return lambda values: 1 if first(values) else second(values)
            case Operation(operator=sign, left=left, right=right):
                first, second = self.term(left), self.term(right)
                function = _ARITHMETIC[sign]
                return lambda values: int(function(first(values), second(values)))

    def block(self, block: Block) -> BlockCode:
        """Closure that runs statements one after another."""
        codes = [self._statement(item) for item in block if not isinstance(item, Remark)]
        if len(codes) == 1:
            return codes[0]

        def run(values: Values) -> None:
            for code in codes:
                code(values)

        return run

    def _statement(self, statement: Statement) -> BlockCode:
        match statement:
            case Assign(cell=cell, value=value):
                return self._assign(cell, self.term(value))
            case If(condition=condition, then=then, otherwise=otherwise):
                test, yes, no = self.term(condition), self.block(then), self.block(otherwise)
                return lambda values: yes(values) if test(values) else no(values)
            case Switch(cell=cell, arms=arms):
                slot = self.layout.slot(cell)
                table = {number: self.block(arm) for number, arm in arms}

                def run_arm(values: Values) -> None:
                    code = table.get(values[slot])
                    if code is not None:
                        code(values)

                return run_arm
            case Choose(cell=cell, count=count):
                choose = self.host.choose
                return self._assign(cell, lambda values: choose(cell, count))
            case Begin(cell=cell, options=options):
                return self._assign(cell, self._begin(cell, options))
            case Note(kind=kind, index=index):
                note = self.host.note
                return lambda values: note(kind, index)
            case Remark():
                return lambda values: None

    def _begin(self, cell: Cell, options: tuple[tuple[Term, int], ...]) -> TermCode:
        tests = [(self.term(condition), value) for condition, value in options]
        choose = self.host.choose

        def begin(values: Values) -> int:
            found = [0, *(value for test, value in tests if test(values))]
            return found[choose(cell, len(found))] if len(found) > 1 else 0

        return begin

    def _assign(self, cell: Cell, code: TermCode) -> BlockCode:
        slot, low, high = self.layout.slot(cell), cell.low, cell.high

        def store(values: Values) -> None:
            value = code(values)
            if not low <= value <= high:
                raise OutOfRange(f"{cell.name} := {value}, outside {low}..{high}")
            values[slot] = value

        return store


def answer_from_cells(signal: Signal, layout: Layout) -> Callable[[Values, Observation, Ticks], int]:
    """How a controller answers observations of an input: from the cells its sensing computed."""
    level = layout.slot(signal.level)
    was = layout.slot(signal.was) if signal.was is not None else level
    run = layout.slot(signal.run) if signal.run is not None else level

    def answer(values: Values, observation: Observation, ticks: Ticks) -> int:
        match observation:
            case Observation.LEVEL:
                return values[level]
            case Observation.ROSE:
                return values[level] & (1 - values[was])
            case Observation.FELL:
                return values[was] & (1 - values[level])
            case Observation.HELD:
                return int(values[run] > ticks)
            case _:
                raise ValueError(f"{observation.value} is not the controller's to see")

    return answer
