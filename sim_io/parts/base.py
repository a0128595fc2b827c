"""What all kinds of part share: the lowered form and the timer with bounded nondeterminism.

Order within one tick: the switches are sampled from where the parts stand, the controller
scans, outputs are written, requirements read, and then the parts move. So a truth has two
readings: as sensed (where the part stands at sampling) and as judged (at the instant after
the outputs are written, where being driven already counts as moving).

What no part models: mass, force, partial speed. A travel moves at a steady unknown speed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from stillgate.controller.expressions.expression import Expression, Operator
from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.program.clocks import Clock, ClockKind
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Assign,
    Block,
    Cell,
    Choose,
    Constant,
    If,
    Operation,
    Ref,
    Scope,
    Statement,
    Term,
    ticks_up,
)

Range = tuple[Ticks, Ticks]
"""Soonest and latest, in ticks."""

Events = Mapping[Cell, Cell | None]
"""Choices of whether something happens in this tick that may happen in a later one too, each with the cell
that holds the ticks left until it must; None where it never must."""


@dataclass(frozen=True, slots=True)
class PartProgram:
    """A lowered part.

    ``begin`` chooses where the part stands at the start; ``conditions`` computes, once the
    outputs are written, what drives the part; ``moves`` is the tick's motion.

    A part may ask, while ``undecided`` is true, what was so at power-on: each local cell of
    ``power_on`` is to hold its term then, computed after ``conditions`` with the outputs as they
    were before the first scan. ``decide`` takes the answer, before anything moves.
    """

    name: str
    kind: str
    cells: tuple[Cell, ...]
    clocks: tuple[Clock, ...]
    begin: Block
    conditions: Block
    moves: Block
    sensed: dict[str, Term]
    judged: dict[str, Term]
    describe: Callable[[dict[Cell, int]], str]  # where the part stands, in words
    undecided: Term = FALSE
    power_on: tuple[tuple[Cell, Term], ...] = ()
    decide: Block = ()
    events: Events = field(default_factory=dict)

    @property
    def begin_unseen(self) -> Block:
        """``begin`` at a moment before which nobody knows what was so."""
        return (*self.begin, *(Assign(cell, TRUE) for cell, _ in self.power_on), *self.decide)


@dataclass(frozen=True, slots=True)
class PlantNames:
    """How a part's conditions become terms: ``condition(part, tree)``; and the period."""

    condition: Callable[[str, Expression], Term]
    period: Milliseconds


@dataclass(frozen=True, slots=True)
class Timer:
    """Ticks still to run before something may (``soonest``) and must (``latest``) happen."""

    soonest: Cell
    latest: Cell
    happens: Cell  # local: the choice

    @staticmethod
    def of(part: str, longest: Range) -> Timer:
        """A timer of a part whose ranges stay within ``longest``."""
        return Timer(
            Cell(f"{part}.soonest", 0, longest[0], 0, Scope.PART),
            Cell(f"{part}.latest", 0, longest[1], 0, Scope.PART),
            Cell(f"{part}.happens", 0, 1, 0, Scope.PART, persistent=False),
        )

    @property
    def clocks(self) -> tuple[Clock, ...]:
        """Both, as clocks that count down."""
        return (
            Clock(self.soonest, ClockKind.SOONEST, Constant(self.soonest.high + 1)),
            Clock(self.latest, ClockKind.LATEST, Constant(self.latest.high + 1)),
        )

    @property
    def events(self) -> Events:
        """The choice, which may come in any tick until the latest."""
        return {self.happens: self.latest}

    def set(self, span: Range) -> Block:
        """Starts the timer."""
        return (Assign(self.soonest, Constant(span[0])), Assign(self.latest, Constant(span[1])))

    def clear(self) -> Block:
        """The canonical value of a timer that does not run."""
        return self.set((0, 0))

    def run(self, happen: Block) -> Block:
        """One tick: may happen once ``soonest`` has run out, must when ``latest`` has."""
        one = Constant(1)
        return (
            If(
                Operation(Operator.GT, Ref(self.soonest), Constant(0)),
                (Assign(self.soonest, Operation(Operator.SUB, Ref(self.soonest), one)),),
            ),
            Assign(self.latest, Operation(Operator.SUB, Ref(self.latest), one)),
            If(
                Operation(Operator.EQ, Ref(self.latest), Constant(0)),
                happen,
                (
                    If(
                        Operation(Operator.EQ, Ref(self.soonest), Constant(0)),
                        (Choose(self.happens, 2), If(Ref(self.happens), happen)),
                    ),
                ),
            ),
        )


def widened(span: tuple[Milliseconds, Milliseconds], period: Milliseconds) -> Range:
    """A part's times in ticks, widened outward; what takes any time takes at least a tick at most."""
    return span[0] // period, max(1, ticks_up(span[1], period))


def truth_cell(name: str) -> Cell:
    """A local truth of a part."""
    return Cell(name, 0, 1, 0, Scope.PART, persistent=False)


def choice_of(cell: Cell, options: list[Block]) -> Block:
    """Chooses one of several blocks to run."""
    if len(options) == 1:
        return options[0]
    chain: Block = options[-1]
    for number in range(len(options) - 2, -1, -1):
        test = Operation(Operator.EQ, Ref(cell), Constant(number))
        chain = (If(test, options[number], chain),)
    first: Statement = Choose(cell, len(options))
    return (first, *chain)
