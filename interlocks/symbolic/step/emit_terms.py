"""Terms and statements of a loop as C over sets of values; clocks are compared and assigned only."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

from stillgate.controller.c.emit_c import C_OPERATORS
from stillgate.controller.expressions.expression import Operator
from stillgate.controller.program.controller_program import Signal
from stillgate.controller.program.program import (
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

from ...loop.closed_loop import ClosedLoop, FreeInput
from .clock_cells import ClockCells

_CALL = {
    Operator.EQ: "sy_eq", Operator.NE: "sy_ne", Operator.LT: "sy_lt", Operator.LE: "sy_le",
    Operator.GT: "sy_gt", Operator.GE: "sy_ge",
}  # fmt: skip
_MIRRORED = {
    Operator.LT: Operator.GT, Operator.GT: Operator.LT, Operator.LE: Operator.GE, Operator.GE: Operator.LE,
}  # fmt: skip


@dataclass
class TermWriter:
    """Writes terms and statements; ``tables`` collects the constant tables that they look up.

    With ``by_fault`` a break is told by the fault that it happens under as well: the number of what is
    broken, and so many more times the number of the fault. ``switches`` are answers told before a search.
    """

    loop: ClosedLoop
    held: ClockCells
    cell_number: dict[Cell, int]
    clock_number: dict[Cell, int]
    free: dict[str, FreeInput]
    free_number: dict[str, int]
    sensed: dict[str, Signal]
    switches: dict[str, int]
    by_fault: bool = False
    tables: dict[tuple[int, ...], str] = field(default_factory=dict)

    def term(self, term: Term) -> str:
        """C expression of a term; a clock may stand in comparisons only."""
        match term:
            case Constant(value=value):
                return f"({value})" if value < 0 else str(value)
            case TimeConstant(milliseconds=milliseconds):
                return str(ticks_up(milliseconds, self.loop.tick))
            case Ref(cell=cell):
                return f"w->now.cell[{self.cell_number[cell]}]"
            case Complement(operand=operand):
                return f"(!{self.term(operand)})"
            case Lookup(table=table, index=index):
                return f"{self._table(table)}[{self.term(index)}]"
            case Read():
                return self._read(term)
            case Operation(operator=operator, left=left, right=right) if operator in _CALL:
                if self._is_held(left):
                    return self._compared(left, operator, right)
                if self._is_held(right):
                    return self._compared(right, _MIRRORED.get(operator, operator), left)
                return f"({self.term(left)} {C_OPERATORS[operator]} {self.term(right)})"
            case Operation(operator=operator, left=left, right=right):
                return f"({self.term(left)} {C_OPERATORS[operator]} {self.term(right)})"

    def _is_held(self, term: Term) -> bool:
        return isinstance(term, Ref) and self.held.holds(term.cell)

    def _compared(self, clock: Term, operator: Operator, other: Term) -> str:
        assert isinstance(clock, Ref)
        return f"{_CALL[operator]}(w, {self.clock_number[clock.cell]}, {self.term(other)})"

    def _table(self, table: tuple[int, ...]) -> str:
        return self.tables.setdefault(table, f"sy_table_{len(self.tables)}")

    def _read(self, term: Read) -> str:
        ticks = ticks_up(term.milliseconds, self.loop.tick) if term.observation is Observation.HELD else 0
        if term.signal in self.free:
            number = self.free_number[term.signal]
            query = self.free[term.signal].history.queries.index((term.observation, ticks))
            return f"sy_asked(w, {number}, {query})"
        if term.signal in self.switches:
            return f"sy_told(w, {self.switches[term.signal]})"
        signal = self.sensed[term.signal]
        level = self.term(Ref(signal.level))
        match term.observation:
            case Observation.LEVEL:
                return level
            case Observation.ROSE | Observation.FELL:
                assert signal.was is not None
                was = self.term(Ref(signal.was))
                return (
                    f"({level} && !{was})" if term.observation is Observation.ROSE else f"({was} && !{level})"
                )
            case Observation.HELD:
                assert signal.run is not None
                return self.term(Operation(Operator.GT, Ref(signal.run), Constant(ticks)))
            case _:
                raise AssertionError(f"{term.signal} is sensed, and its circuit is a cell")

    def block(self, block: Block, depth: int = 1) -> Iterator[str]:
        """Lines of C of a block."""
        for statement in block:
            yield from self._statement(statement, depth)

    def _statement(self, statement: Statement, depth: int) -> Iterator[str]:
        pad = "    " * depth
        match statement:
            case Assign(cell=cell, value=value) if self.held.holds(cell):
                yield f"{pad}{self._clock_assigned(cell, value)}"
            case Assign(cell=cell, value=value):
                yield f"{pad}{self.cell(cell)} = {self.term(value)};"
            case If(condition=condition, then=then, otherwise=otherwise):
                yield f"{pad}if ({self.term(condition)}) {{"
                yield from self.block(then, depth + 1)
                if otherwise:
                    yield f"{pad}}} else {{"
                    yield from self.block(otherwise, depth + 1)
                yield f"{pad}}}"
            case Switch(cell=cell, arms=arms):
                yield f"{pad}switch ({self.cell(cell)}) {{"
                for number, arm in arms:
                    yield f"{pad}case {number}:"
                    yield from self.block(arm, depth + 1)
                    yield f"{pad}    break;"
                yield f"{pad}default:"
                yield f"{pad}    break;"
                yield f"{pad}}}"
            case Choose(cell=cell, count=count):
                yield f"{pad}{self.cell(cell)} = sy_choose(w, {count});"
            case Begin(cell=cell, options=options):
                yield f"{pad}{{"
                yield f"{pad}    int option[{len(options) + 1}], count = 1;"
                yield f"{pad}    option[0] = 0;"
                for condition, number in options:
                    yield f"{pad}    if ({self.term(condition)}) option[count++] = {number};"
                yield f"{pad}    {self.cell(cell)} = count > 1 ? option[sy_choose(w, (uint32_t)count)] : 0;"
                yield f"{pad}}}"
            case Note(kind=NoteKind.BROKEN, index=index):
                yield f"{pad}sy_break(w, {self._event(index)});"
            case Note(index=index):
                yield f"{pad}sy_cover(w, {index});"
            case Remark():
                pass

    def _event(self, index: int) -> str:
        if not self.by_fault:
            return str(index)
        return f"{index} + {len(self.loop.requirement_names)} * {self.cell(self.loop.fault)}"

    def cell(self, cell: Cell) -> str:
        """Where a discrete cell stands."""
        return f"w->now.cell[{self.cell_number[cell]}]"

    def _clock_assigned(self, cell: Cell, value: Term) -> str:
        number = self.clock_number[cell]
        match value:
            case Ref(cell=other) if self.held.holds(other):
                return f"sy_copy(w, {number}, {self.clock_number[other]}, 0);"
            case Lookup(table=table, index=Ref(cell=other)) if self.held.holds(other):
                assert all(before >= after for before, after in pairwise(table)), (
                    "a table grows with its clock"
                )
                at = self.clock_number[other]
                return f"sy_look_up(w, {number}, {self._table(table)}, {len(table)}, {at});"
            case Operation(
                operator=Operator.ADD | Operator.SUB as operator, left=Ref(cell=other), right=right
            ) if self.held.holds(other):
                added = f"{C_OPERATORS[operator]}({self.term(right)})"
                return f"sy_copy(w, {number}, {self.clock_number[other]}, {added});"
            case Operation(operator=Operator.ADD, left=left, right=Ref(cell=other)) if self.held.holds(other):
                return f"sy_copy(w, {number}, {self.clock_number[other]}, {self.term(left)});"
            case _:
                return f"sy_set_to(w, {number}, {self.term(value)});"
