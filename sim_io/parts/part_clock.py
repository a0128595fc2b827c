"""A clock of a part: how many ticks something has been so.

It counts up from 0 by one a tick, begins again from 0 at ``reset``, and is cut off at the
greatest time that it is compared with; nothing but constants is compared with it. Where it is
not read it is 0, so that two situations that cannot be told apart are one.

A clock that runs at power-on began nobody knows when: its value is any that the times allow.
Such a clock counts from 0 as well, with ``unknown`` set until its first reset. Any time may then
be over already, so what may happen from some tick on may happen now; and at its latest a time
is over when the clock says so, since it may have begun at power-on. Choosing a value instead
would allow the very same runs, with as many situations at power-on as the time has ticks, of
every such clock.

A clock of a condition runs at power-on only if the condition was true then, with the outputs as
they are before the first scan. ``undecided`` it counts as unknown, until ``decide`` has been told.
"""

from __future__ import annotations

from dataclasses import dataclass

from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.field_types import Ticks
from stillgate.controller.program.clocks import Clock, ClockKind
from stillgate.controller.program.lowering import count_up
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Assign,
    Block,
    Cell,
    Constant,
    If,
    Operation,
    Ref,
    Scope,
    Statement,
    Term,
    disjunction,
)

KNOWN, UNKNOWN, UNDECIDED = range(3)


@dataclass(frozen=True, slots=True)
class PartClock:
    """A clock: its count, and whether it runs since before power-on, if it ever can.

    ``unknown`` is 0, 1 if it does, or 2 if that is not decided yet.
    """

    count: Cell
    unknown: Cell | None

    @staticmethod
    def of(name: str, cap: Ticks, *, may_run_at_power_on: bool) -> PartClock:
        """A clock that is compared with nothing beyond ``cap``."""
        unknown = Cell(f"{name}_unknown", 0, UNDECIDED, 0, Scope.PART) if may_run_at_power_on else None
        return PartClock(Cell(name, 0, cap, 0, Scope.PART), unknown)

    @property
    def cells(self) -> tuple[Cell, ...]:
        """Its state."""
        return (self.count,) if self.unknown is None else (self.count, self.unknown)

    @property
    def mark(self) -> Clock:
        """Its count, for who treats time apart."""
        return Clock(self.count, ClockKind.PART_WAITS, Constant(self.count.high))

    def reset(self, unknown: int = KNOWN) -> Block:
        """Begins from 0; or, at power-on only, from nobody knows where."""
        back: tuple[Statement, ...] = (Assign(self.count, Constant(0)),)
        return back if self.unknown is None else (*back, Assign(self.unknown, Constant(unknown)))

    @property
    def undecided(self) -> Term:
        """Whether it is to be told if its condition was true at power-on."""
        if self.unknown is None:
            return FALSE
        return Operation(Operator.EQ, Ref(self.unknown), Constant(UNDECIDED))

    def decide(self, held: Term) -> Block:
        """Tells an undecided clock whether its condition was true at power-on."""
        if self.unknown is None:
            return ()
        known = (Assign(self.unknown, Constant(KNOWN)),)
        return (If(self.undecided, (If(held, (Assign(self.unknown, Constant(UNKNOWN)),), known),)),)

    def tick(self, cap: Ticks) -> Statement:
        """Counts one tick, up to ``cap``."""
        return count_up(self.count, Constant(cap))

    def surely(self, ticks: Ticks) -> Term:
        """Whether the time is over at the latest; asked after ``tick``, so one tick always is."""
        if ticks <= 1:
            return TRUE
        return Operation(Operator.GE, Ref(self.count), Constant(ticks))

    def perhaps(self, ticks: Ticks) -> Term:
        """Whether the time may be over."""
        over = self.surely(ticks)
        if over == TRUE or self.unknown is None:
            return over
        return disjunction((Operation(Operator.NE, Ref(self.unknown), Constant(KNOWN)), over))
