"""The Program's statements as z3 terms: one step by symbolic execution.

A step has no loops, so every statement runs at most once and the step is one formula. Truths
(cells of range 0..1) are Booleans, all other values bit-vectors of one width that no sum of
the program can overflow, read as two's complement. The branches of an ``If`` or ``Switch``
run on copies of the values and are joined by if-then-else where they differ.

A ``Choose`` or ``Begin`` makes one unknown with a constraint on its values. Its *occurrence*
keeps the condition under which it is asked, in the order of execution, so a model is turned
into the answers that the Python runner asks for, and back.

Observations are answered from the signal's own cells, so this backend takes closed loops
with eager inputs only: it knows neither beliefs nor which values are dead, and owes nothing
to that part of the explorer.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import z3

from stillgate.controller.effort import Effort
from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.field_types import Milliseconds
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
    terms_in,
    ticks_up,
)

from .formulas import (
    NO,
    YES,
    Formula,
    Value,
    any_of,
    both,
    either,
    equal,
    if_else,
    is_no,
    is_yes,
    opposite,
)

Environment = dict[Cell, Value]


@dataclass(frozen=True)
class Occurrence:
    """One choice of a step: asked where ``asked`` is true, answered by ``unknown``.

    ``options`` lists (condition, value) in the order that answers are counted; the value of
    the n-th option whose condition is true is the meaning of answer n.
    """

    cell: Cell
    asked: Formula
    unknown: Value
    options: tuple[tuple[Formula, int], ...]


@dataclass(frozen=True)
class Notes:
    """Conditions under which something is noted, by its index."""

    broken: Mapping[int, Formula]
    covered: Mapping[int, Formula]


class Encoder:
    """Runs blocks on symbolic values.

    Args:
        width: bits of a number; see ``width_of``.
        period: tick in ms, for times in terms.
        signals: inputs whose observations are answered from their cells.
        prefix: of the names of unknowns, so that two steps do not share them.
        effort: looked at in every statement; once it is over ``run`` raises ``OutOfTime``.
    """

    def __init__(
        self,
        width: int,
        period: Milliseconds,
        signals: Iterable[Signal],
        prefix: str = "",
        effort: Effort | None = None,
    ) -> None:
        self.width = width
        self.period = period
        self.signals = {signal.name: signal for signal in signals}
        self.prefix = prefix
        self._effort = effort or Effort()
        self.occurrences: list[Occurrence] = []
        self.constraints: list[Formula] = []
        self.outside: list[tuple[Cell, Formula]] = []  # assignments that leave a cell's range
        self._numbers: dict[int, Value] = {}
        self._broken: dict[int, Formula] = {}
        self._covered: dict[int, Formula] = {}

    @property
    def notes(self) -> Notes:
        """What was noted so far."""
        return Notes(self._broken, self._covered)

    # -- values ----------------------------------------------------------------------------

    def constant(self, cell: Cell, value: int) -> Value:
        """A cell's value as a constant."""
        return (YES if value else NO) if cell.is_truth else self.number(value)

    def number(self, value: int) -> Value:
        """A number."""
        found = self._numbers.get(value)
        if found is None:
            found = self._numbers[value] = z3.BitVecVal(value, self.width)
        return found

    def as_number(self, value: Value) -> Value:
        """A value where a number is needed: a truth counts 0 or 1."""
        if not z3.is_bool(value):
            return value
        if is_yes(value) or is_no(value):
            return self.number(int(is_yes(value)))
        return if_else(value, self.number(1), self.number(0))

    def as_truth(self, value: Value) -> Formula:
        """A value where a truth is needed: whatever is not 0."""
        if z3.is_bool(value):
            return value
        if z3.is_bv_value(value):
            return YES if value.as_long() else NO
        return opposite(equal(value, self.number(0)))

    # -- terms -----------------------------------------------------------------------------

    def term(self, term: Term, values: Environment) -> Value:
        """Value of a term."""
        match term:
            case Constant(value=value):
                return (YES if value else NO) if value in (0, 1) else self.number(value)
            case TimeConstant(milliseconds=milliseconds):
                return self.number(ticks_up(milliseconds, self.period))
            case Ref(cell=cell):
                return values[cell]
            case Read(signal=signal, observation=observation, milliseconds=milliseconds):
                return self._observe(self.signals[signal], observation, milliseconds, values)
            case Complement(operand=operand):
                return opposite(self.truth(operand, values))
            case Lookup(table=table, index=index):
                return self._entry(table, self.as_number(self.term(index, values)))
            case Operation(operator=operator, left=left, right=right):
                return self._operation(operator, self.term(left, values), self.term(right, values))

    def truth(self, term: Term, values: Environment) -> Formula:
        """A term as a truth."""
        return self.as_truth(self.term(term, values))

    def _observe(
        self, signal: Signal, observation: Observation, milliseconds: Milliseconds, values: Environment
    ) -> Formula:
        level = values[signal.level]
        match observation:
            case Observation.LEVEL:
                return level
            case Observation.ROSE:
                assert signal.was is not None
                return both(level, opposite(values[signal.was]))
            case Observation.FELL:
                assert signal.was is not None
                return both(values[signal.was], opposite(level))
            case Observation.HELD:
                assert signal.run is not None
                return self.as_number(values[signal.run]) > self.number(ticks_up(milliseconds, self.period))
            case _:
                raise ValueError(f"{observation.value} of {signal.name} has no cell: close the loop eagerly")

    def _entry(self, table: tuple[int, ...], index: Value) -> Value:
        as_truths = all(item in (0, 1) for item in table)
        result: Value | None = None
        for position in reversed(range(len(table))):
            item = table[position]
            entry = (YES if item else NO) if as_truths else self.number(item)
            at = equal(index, self.number(position))
            result = entry if result is None else self.joined(at, entry, result)
        return result

    def _operation(self, operator: Operator, left: Value, right: Value) -> Value:
        match operator:
            case Operator.AND:
                return both(self.as_truth(left), self.as_truth(right))
            case Operator.OR:
                return either(self.as_truth(left), self.as_truth(right))
            case Operator.XOR:
                return z3.Xor(self.as_truth(left), self.as_truth(right))
            case Operator.EQ | Operator.NE if z3.is_bool(left) and z3.is_bool(right):
                return equal(left, right) if operator is Operator.EQ else z3.Xor(left, right)
        first, second = self.as_number(left), self.as_number(right)
        match operator:
            case Operator.EQ:
                return equal(first, second)
            case Operator.NE:
                return opposite(equal(first, second))
            case Operator.LT:
                return first < second
            case Operator.LE:
                return first <= second
            case Operator.GT:
                return first > second
            case Operator.GE:
                return first >= second
            case Operator.ADD:
                return first + second
            case Operator.SUB:
                return first - second
        raise AssertionError(operator)

    def joined(self, condition: Formula, yes: Value, no: Value) -> Value:
        """One value where the condition is true, else the other."""
        if is_yes(condition) or yes.ast.value == no.ast.value:
            return yes
        if is_no(condition):
            return no
        if z3.is_bool(yes) and z3.is_bool(no):
            if is_yes(yes):
                return either(condition, no)
            if is_no(yes):
                return both(opposite(condition), no)
            if is_yes(no):
                return either(opposite(condition), yes)
            if is_no(no):
                return both(condition, yes)
            return if_else(condition, yes, no)
        return if_else(condition, self.as_number(yes), self.as_number(no))

    # -- statements ------------------------------------------------------------------------

    def run(self, block: Block, values: Environment, when: Formula = YES) -> None:
        """Runs a block on the values, in place; ``when`` is the condition under which it runs."""
        for statement in block:
            self._effort.look()
            self._statement(statement, values, when)

    def _statement(self, statement: Statement, values: Environment, when: Formula) -> None:
        match statement:
            case Assign(cell=cell, value=term):
                self._store(cell, self.term(term, values), values, when)
            case If(condition=condition, then=then, otherwise=otherwise):
                self._branch(self.truth(condition, values), then, otherwise, values, when)
            case Switch(cell=cell, arms=arms):
                held = self.as_number(values[cell])
                for number, arm in arms:  # arms have distinct numbers, so at most one runs
                    self._branch(equal(held, self.number(number)), arm, (), values, when)
            case Choose(cell=cell, count=count):
                values[cell] = self._ask(cell, when, tuple((YES, value) for value in range(count)))
            case Begin(cell=cell, options=options):
                found = tuple((self.truth(condition, values), value) for condition, value in options)
                some = any_of(condition for condition, _ in found)
                answer = self._ask(cell, both(when, some), ((YES, 0), *found))
                values[cell] = self.joined(some, answer, self.constant(cell, 0))
            case Note(kind=kind, index=index):
                notes = self._broken if kind is NoteKind.BROKEN else self._covered
                notes[index] = either(notes.get(index, NO), when)
            case Remark():
                pass

    def _branch(
        self, condition: Formula, then: Block, otherwise: Block, values: Environment, when: Formula
    ) -> None:
        if is_yes(condition) or is_no(condition):
            self.run(then if is_yes(condition) else otherwise, values, when)
            return
        left, right = dict(values), dict(values)
        self.run(then, left, both(when, condition))
        self.run(otherwise, right, both(when, opposite(condition)))
        for cell in {**left, **right}:
            # A cell met in one branch only is local to it: it is written before it is read.
            yes, no = left.get(cell), right.get(cell)
            if yes is None or no is None:
                values[cell] = no if yes is None else yes
            elif yes is no:  # neither branch wrote it, as is so of most cells
                values[cell] = yes
            else:
                values[cell] = self.joined(condition, yes, no)

    def _store(self, cell: Cell, value: Value, values: Environment, when: Formula) -> None:
        if cell.is_truth:
            values[cell] = self.as_truth(value)
            if z3.is_bool(value):
                return
            value = self.as_number(value)
        else:
            value = values[cell] = self.as_number(value)
        if z3.is_bv_value(value) and cell.low <= value.as_signed_long() <= cell.high:
            return
        leaves = either(value < self.number(cell.low), value > self.number(cell.high))
        self.outside.append((cell, both(when, leaves)))

    def _ask(self, cell: Cell, asked: Formula, options: tuple[tuple[Formula, int], ...]) -> Value:
        name = f"{self.prefix}choice{len(self.occurrences)} {cell.name}"
        unknown = z3.Bool(name) if cell.is_truth else z3.BitVec(name, self.width)
        self.occurrences.append(Occurrence(cell, asked, unknown, options))
        if not (cell.is_truth and len(options) == 2 and all(is_yes(item) for item, _ in options)):
            allowed = any_of(
                both(item, equal(unknown, self.constant(cell, value))) for item, value in options
            )
            self.constraints.append(z3.Implies(asked, allowed))
        return unknown


def width_of(blocks: Iterable[Block], cells: Iterable[Cell], period: Milliseconds) -> int:
    """Bits that hold every value of the cells and every sum or difference in the blocks.

    A sum of sums is no longer than its term: its bound is the sum of the bounds of its leaves.
    """
    known = tuple(cells)
    largest = max((abs(bound) for cell in known for bound in (cell.low, cell.high)), default=1)
    for block in blocks:
        for term in terms_in(block):
            largest = max(largest, _bound(term, period))
    return largest.bit_length() + 2


def _bound(term: Term, period: Milliseconds) -> int:
    match term:
        case Constant(value=value):
            return abs(value)
        case TimeConstant(milliseconds=milliseconds):
            return ticks_up(milliseconds, period)
        case Ref(cell=cell):
            return max(abs(cell.low), abs(cell.high))
        case Read(signal=_, milliseconds=milliseconds):
            return ticks_up(milliseconds, period) + 1
        case Lookup(table=table):
            return max(map(abs, table))
        case Operation(operator=Operator.ADD | Operator.SUB, left=left, right=right):
            return _bound(left, period) + _bound(right, period)
        case _:
            return 1
