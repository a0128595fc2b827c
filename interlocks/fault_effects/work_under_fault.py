"""The loop in which it is asked how long a machine works under a fault.

No requirement is in it, and a fault may begin in any tick, whatever it changes (``fault_times`` says why). It
remembers no more than the *phase*: whether, since the fault began, the machine has worked and whether it has
stopped and worked again. Where longest times are asked for it counts the ticks since the fault began, up to
a horizon.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.machine_file.machine import Exclusion, Machine
from stillgate.controller.program.clocks import Clock, ClockKind
from stillgate.controller.program.program import (
    Assign,
    Block,
    Cell,
    Complement,
    Constant,
    If,
    Lookup,
    Note,
    NoteKind,
    Operation,
    Ref,
    Scope,
    Statement,
    Term,
)
from stillgate.sim_io.faults.fault_list import faults_of

from ..exploration.fault_search import machine_works
from ..loop.closed_loop import ClosedLoop, close_loop
from ..symbolic.lowering_for_sets import made_for_sets

POWER_ON, RESTS, WORKS, RESTS_AGAIN, WORKS_AGAIN, RESTS_SINCE_POWER_ON, NOT_BEGUN = 0, 1, 2, 3, 4, 5, 7
"""Phases. Under a fault they are even where the machine worked in the last tick and odd where it did not
(``fault_graph.h``): it has not worked yet, works, has stopped, works again. Of what has not worked yet those
are told apart in which the fault was there in the first tick; without a fault that tick and all others."""

_WORKING = {RESTS_AGAIN: WORKS_AGAIN, WORKS_AGAIN: WORKS_AGAIN}  # what follows where it works, WORKS else
_RESTING = {
    POWER_ON: RESTS_SINCE_POWER_ON, RESTS_SINCE_POWER_ON: RESTS_SINCE_POWER_ON,
    WORKS: RESTS_AGAIN, RESTS_AGAIN: RESTS_AGAIN, WORKS_AGAIN: RESTS_AGAIN,
}  # where it does not, RESTS else  # fmt: skip

MACHINE_WORKS = "the machine works"
STARTS = {
    RESTS_AGAIN: "the machine works again",
    RESTS_SINCE_POWER_ON: "the machine works with a fault since power-on",
    RESTS: "the machine works after a fault began",
}
EVENTS = (*STARTS.values(), MACHINE_WORKS)
"""What is told of each fault: that the machine works under it, after some rest under it, or at all. From such
a run it is seen best whether that may go on. No memory of a user has such a name."""


@dataclass(frozen=True)
class WorkLoop:
    """The loop and what is read of its keys; ``since`` only where longest times are asked for."""

    loop: ClosedLoop
    phase: Cell
    since: Cell | None


def work_loop(machine: Machine, faults: Collection[str], *, tick: Milliseconds, times: bool) -> WorkLoop:
    """The loop for some faults, by name.

    Args:
        times: count the ticks since the fault began.
    """
    judged = with_faults(machine, faults)
    phase = Cell("phase under a fault", 0, WORKS if times else NOT_BEGUN, POWER_ON, Scope.MONITOR)
    since = None

    def make(eager: Collection[str]) -> ClosedLoop:
        nonlocal since
        loop = close_loop(judged, tick=tick, faults=1, possibility=False, unseen=True, eager=eager)
        since = Cell("ticks under a fault", 0, _horizon(loop), 0, Scope.MONITOR) if times else None
        return _remembering(loop, phase, since)

    loop = made_for_sets(make)
    return WorkLoop(loop, phase, since)


def with_faults(machine: Machine, kept: Collection[str]) -> Machine:
    """The machine without requirements, and with these faults only."""
    left_out = [
        Exclusion.model_construct(fault=item.name, why="looked at elsewhere")
        for item in faults_of(machine)
        if item.name not in kept
    ]
    check = machine.check.model_copy(update={"exclude": [*machine.check.exclude, *left_out]})
    return machine.model_copy(update={"requirements": {}, "check": check})


def _horizon(loop: ClosedLoop) -> Ticks:
    """Longer than all that a machine waits for, one after the other, and that twice."""
    return 100 + 2 * sum(clock.cell.high for clock in loop.clocks)


def _remembering(loop: ClosedLoop, phase: Cell, since: Cell | None) -> ClosedLoop:
    begun = Complement(_equals(loop.fault, 0))
    works = machine_works(loop)
    events = loop.monitors.first_index + len(loop.monitors.broken)
    clocks: tuple[Clock, ...] = ()
    if since is None:
        block: Block = (If(works, _working(phase, events), (_follow(phase, _RESTING, RESTS),)),)
        otherwise: Block = (Assign(phase, Constant(NOT_BEGUN)),)
    else:
        more = Assign(since, Operation(Operator.ADD, Ref(since), Constant(1)))
        block = (
            If(Operation(Operator.LT, Ref(since), Constant(since.high)), (more,)),
            If(works, (Assign(phase, Constant(WORKS)),), (Assign(phase, Constant(RESTS)),)),
        )
        otherwise = ()
        clocks = (Clock(since, ClockKind.FAULT, Constant(since.high)),)
    monitors = replace(
        loop.monitors,
        cells=(*loop.monitors.cells, phase, *(clock.cell for clock in clocks)),
        clocks=(*loop.monitors.clocks, *clocks),
        broken=(*loop.monitors.broken, *(EVENTS if since is None else ())),
    )
    return replace(loop, monitors=monitors, after=(*loop.after, If(begun, block, otherwise)))


def _working(phase: Cell, events: int) -> Block:
    starts = [If(_equals(phase, rest), (Note(NoteKind.BROKEN, events + i),)) for i, rest in enumerate(STARTS)]
    works = Note(NoteKind.BROKEN, events + len(STARTS))
    return (*starts, works, _follow(phase, _WORKING, WORKS))


def _follow(phase: Cell, following: dict[int, int], other: int) -> Statement:
    """The phase becomes what follows it."""
    table = tuple(following.get(before, other) for before in range(phase.high + 1))
    return Assign(phase, Lookup(table, Ref(phase)))


def _equals(cell: Cell, value: int) -> Term:
    return Operation(Operator.EQ, Ref(cell), Constant(value))
