"""What statements and exits read and write: the one place that every analysis of a program asks.

A value counts as overwritten only by a write that takes place whatever the values are. Two kinds do not:

* a write inside ``If`` or ``Switch``, unless every way through writes the cell;
* an exit's write that may leave the cell's range: then the old value stays, so such a write also *reads*
  the cell (``may_leave_range``).

The old value of a cell that is not overwritten is seen by whoever reads it next, so an analysis that takes
one of these for an overwriting drops a value that is still wanted. (Live variables and 'must' definitions
in the sense of Aho, Lam, Sethi, Ullman, Compilers, 2nd ed., 9.2; from memory.)
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from ..expressions.expression import Operator
from .controller_program import ExitProgram, Signal
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
    Operation,
    Read,
    Ref,
    Statement,
    Switch,
    Term,
    TimeConstant,
    statements_in,
    terms_in,
    terms_of,
    walk_term,
)

Key = Cell | str
"""What is read: a cell, or by its name an input that no cell answers."""


# -- blocks ----------------------------------------------------------------------------------------


def cells_read(block: Block) -> set[Cell]:
    """Every cell a block reads anywhere, those it switches on included."""
    read = {term.cell for term in terms_in(block) if isinstance(term, Ref)}
    return read | {item.cell for item in statements_in(block) if isinstance(item, Switch)}


def signals_read(block: Block) -> set[str]:
    """Names of the inputs a block observes."""
    return {term.signal for term in terms_in(block) if isinstance(term, Read)}


def cells_written(block: Block) -> Iterator[Cell]:
    """Cells a block may write, in order of appearance."""
    for statement in statements_in(block):
        match statement:
            case Assign(cell=cell) | Choose(cell=cell) | Begin(cell=cell):
                yield cell
            case _:
                pass


@dataclass
class Footprint:
    """Cells and inputs that a block reads before it writes them, and those that it writes.

    Args:
        signals: inputs that are answered from their cells.
    """

    signals: Mapping[str, Signal]
    reads: dict[Key, None] = field(default_factory=dict)
    writes: dict[Cell, None] = field(default_factory=dict)

    def block(self, block: Block, written: frozenset[Cell] = frozenset()) -> frozenset[Cell]:
        """Takes a block in; the cells that are written in any case when it has run."""
        for statement in block:
            written = self._statement(statement, written)
        return written

    def _statement(self, statement: Statement, written: frozenset[Cell]) -> frozenset[Cell]:
        for term in terms_of(statement):
            self._term(term, written)
        match statement:
            case Assign(cell=cell) | Choose(cell=cell) | Begin(cell=cell):
                self.writes[cell] = None
                return written | {cell}
            case If(then=then, otherwise=otherwise):
                return self.block(then, written) & self.block(otherwise, written)
            case Switch(cell=cell, arms=arms):
                self._cell(cell, written)
                for _, arm in arms:
                    self.block(arm, written)
        return written

    def _term(self, term: Term, written: frozenset[Cell]) -> None:
        for node in walk_term(term):
            if isinstance(node, Ref):
                self._cell(node.cell, written)
            elif isinstance(node, Read):
                signal = self.signals.get(node.signal)
                if signal is None:
                    self.reads[node.signal] = None
                    continue
                for cell in (signal.level, signal.was, signal.run):
                    if cell is not None:
                        self._cell(cell, written)

    def _cell(self, cell: Cell, written: frozenset[Cell]) -> None:
        if cell not in written:
            self.reads[cell] = None


# -- exits -----------------------------------------------------------------------------------------


def may_leave_range(cell: Cell, value: Term) -> bool:
    """Whether a write may ask for a value outside the cell's range, and so keep the old one."""
    low, high = bounds_of(value)
    return low < cell.low or cell.high < high


def terms_of_exit(item: ExitProgram) -> tuple[Term, ...]:
    """Its guard, then the values that its actions write."""
    return (item.guard, *(value for _, value in item.actions))


def read_by_exit(item: ExitProgram) -> set[Cell]:
    """Cells that an exit may read: guard, written values, and what a write out of range leaves as it is."""
    named = {node.cell for term in terms_of_exit(item) for node in walk_term(term) if isinstance(node, Ref)}
    return named | {cell for cell, value in item.actions if may_leave_range(cell, value)}


def written_by_exit(item: ExitProgram) -> set[Cell]:
    """Cells that an exit may write."""
    return {cell for cell, _ in item.actions}


def overwritten_by_exit(item: ExitProgram) -> set[Cell]:
    """Cells of which nothing is left once an exit has been taken, whatever it wrote."""
    return {cell for cell, value in item.actions if not may_leave_range(cell, value)}


def bounds_of(term: Term) -> tuple[int, int]:
    """Smallest and largest value a term can take, by interval arithmetic.

    Raises:
        ValueError: for a time constant, whose value depends on the period.
    """
    match term:
        case Constant(value=value):
            return value, value
        case Ref(cell=cell):
            return cell.low, cell.high
        case Operation(operator=Operator.ADD, left=left, right=right):
            (a, b), (c, d) = bounds_of(left), bounds_of(right)
            return a + c, b + d
        case Operation(operator=Operator.SUB, left=left, right=right):
            (a, b), (c, d) = bounds_of(left), bounds_of(right)
            return a - d, b - c
        case Lookup(table=table):
            return min(table), max(table)
        case Operation() | Complement() | Read():
            return 0, 1
        case TimeConstant():
            raise ValueError("a time constant has no value before the period is known")
