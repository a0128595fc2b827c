"""Which cells of a closed loop are held in sets of values: its clocks, and the counters that allow it.

A clock is marked by the lowering (``ClosedLoop.clocks``). Here it is asserted that it is only compared with
constants, counted by one, set to a constant, copied, or turned round by a table. A counter of the controller
is held in the sets as a clock that stands still, if it meets no other number: it is compared with
constants, set to constants or counted by them, and nothing is looked up or switched by it. Which counters
allow it is decided here, statically, and the others stay in the key, where every value is a situation of
its own.

Cells that live within one step and take over a clock's or counter's value belong to its *family*.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from stillgate.controller.expressions.expression import Operator
from stillgate.controller.program.clocks import Clock
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
    Operation,
    Ref,
    Statement,
    Switch,
    Term,
    statements_in,
    terms_in,
    walk_term,
)

from ...loop.closed_loop import ClosedLoop

_LOGIC = (Operator.AND, Operator.OR, Operator.XOR)
_SUMS = (Operator.ADD, Operator.SUB)


@dataclass(frozen=True)
class ClockCells:
    """The cells whose values are held in sets.

    Attributes:
        clocks: by cell, of the loop's clocks.
        family: for each cell held in the sets (clocks, counters, and what takes their values over
            within a step) the clock or counter it belongs to.
        counters: counters of the controller that are held in the sets.
        marks: for each counter the numbers that it is compared with.
    """

    clocks: dict[Cell, Clock]
    family: dict[Cell, Cell]
    counters: tuple[Cell, ...]
    marks: dict[Cell, tuple[int, ...]]

    def holds(self, cell: Cell) -> bool:
        """Whether a cell's value is held in the sets."""
        return cell in self.family


def loop_blocks(loop: ClosedLoop) -> Block:
    """Every statement of a loop's step and start."""
    sensed = tuple(item for signal in loop.sensed for item in signal.sense)
    return (
        *loop.begin, *loop.before, *sensed, *loop.controller.observe, *loop.controller.decide,
        *loop.after, *loop.settle, *loop.moves,
    )  # fmt: skip


def cells_in_sets(loop: ClosedLoop) -> ClockCells:
    """The clocks of a loop and the counters that can be held in sets with them.

    Raises:
        AssertionError: if a clock is used in a way that a set of values cannot follow, which is a defect of
            the lowering that marked it.
    """
    block = loop_blocks(loop)
    # One that stops is turned round into another: of such a pair either both are held or none.
    clocks = {item.cell: item for item in loop.clocks if item.cell.high > 1 or item.stops}
    candidates = {cell for cell, _ in loop.controller.bounds_marks if not cell.is_truth}
    while True:
        family = _families(block, {*clocks, *candidates})
        refused = {family[cell] for cell in _misused(loop, block, family)}
        assert not refused & clocks.keys(), f"clocks used as numbers: {sorted(c.name for c in refused)}"
        if not refused & candidates:
            break
        candidates -= refused
    counters = tuple(cell for cell in loop.controller.memory if cell in candidates)
    return ClockCells(clocks, family, counters, {cell: _marks(block, family, cell) for cell in counters})


def _families(block: Block, roots: set[Cell]) -> dict[Cell, Cell]:
    """Each cell that may hold a root's value, with that root; a cell of two roots belongs to the first."""
    family = {cell: cell for cell in roots}
    grown = True
    while grown:
        grown = False
        for statement in statements_in(block):
            if isinstance(statement, Assign) and statement.cell not in family:
                source = _source(statement.value, family)
                if source is not None:
                    family[statement.cell] = family[source]
                    grown = True
    return family


def _source(value: Term, family: dict[Cell, Cell]) -> Cell | None:
    """The cell whose value (moved by something that is no clock) a term is."""
    match value:
        case Ref(cell=cell) if cell in family:
            return cell
        case Operation(operator=operator, left=left, right=right) if operator in _SUMS:
            if isinstance(left, Ref) and left.cell in family and not _reads(right, family):
                return left.cell
            if operator is Operator.ADD and isinstance(right, Ref) and right.cell in family:
                return right.cell if not _reads(left, family) else None
        case _:
            pass
    return None


def _reads(term: Term, family: dict[Cell, Cell]) -> bool:
    return any(isinstance(node, Ref) and node.cell in family for node in walk_term(term))


def _misused(loop: ClosedLoop, block: Block, family: dict[Cell, Cell]) -> Iterator[Cell]:
    """Cells of a family that are read or written in a way that a set of values cannot follow."""
    clocks = {item.cell for item in loop.clocks}
    for statement in statements_in(block):
        match statement:
            case Switch(cell=cell) | Choose(cell=cell) | Begin(cell=cell) if cell in family:
                yield cell
            case Assign(cell=cell, value=value) if cell in family:
                source = _source(value, family)
                if source is not None:
                    if family[source] != family[cell] and not {family[source], family[cell]} <= clocks:
                        yield from (source, cell)
                elif isinstance(value, Lookup) and isinstance(value.index, Ref):
                    if value.index.cell in family and family[value.index.cell] not in clocks:
                        yield value.index.cell
                else:
                    yield from _bare(value, family)
            case Assign(value=value):
                yield from _bare(value, family)
            case _:
                pass
        for term in _conditions(statement):
            yield from _bare(term, family)
    for term in terms_in(loop.moves):  # counters are the controller's; parts know clocks of their own
        if isinstance(term, Ref) and term.cell in family and family[term.cell] not in clocks:
            yield term.cell


def _conditions(statement: Statement) -> Iterator[Term]:
    if isinstance(statement, If):
        yield statement.condition
    elif isinstance(statement, Begin):
        yield from (condition for condition, _ in statement.options)


def _bare(term: Term, family: dict[Cell, Cell]) -> Iterator[Cell]:
    """Cells of a family read otherwise than compared with something that is no clock."""
    match term:
        case Ref(cell=cell) if cell in family:
            yield cell
        case Complement(operand=operand) | Lookup(index=operand):
            yield from _bare(operand, family)
        case Operation(operator=operator, left=left, right=right):
            compared = operator not in (*_LOGIC, *_SUMS)
            for side, other in ((left, right), (right, left)):
                alone = isinstance(side, Ref) and side.cell in family
                if not (compared and alone and not _reads(other, family)):
                    yield from _bare(side, family)
        case _:
            pass


def _marks(block: Block, family: dict[Cell, Cell], counter: Cell) -> tuple[int, ...]:
    """The numbers around which the program can tell a counter's values apart, and its range's ends."""
    found = {counter.low, counter.high}
    for term in terms_in(block):
        if isinstance(term, Operation) and term.operator not in (*_LOGIC, *_SUMS):
            for side, other in ((term.left, term.right), (term.right, term.left)):
                if isinstance(side, Ref) and family.get(side.cell) == counter and isinstance(other, Constant):
                    found |= {other.value - 1, other.value, other.value + 1}
    return tuple(sorted(value for value in found if counter.low <= value <= counter.high))


def longest_time(cells: ClockCells) -> int:
    """The largest number that a bound of a set can be, for the width of its type."""
    largest = max((abs(value) for cell in cells.family for value in (cell.low, cell.high)), default=1)
    return largest + 2
