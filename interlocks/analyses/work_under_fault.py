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
from stillgate.controller.program.program import (
    Assign,
    Block,
    Cell,
    Clock,
    ClockKind,
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
from ..symbolic.loop_for_sets import made_for_sets

NOT_BEGUN, RESTS, WORKS, RESTS_AGAIN, WORKS_AGAIN = range(5)
"""Phases: even where the machine worked in the last tick under the fault, as ``fault_graph.h`` wants them."""

EVENTS = MACHINE_WORKS, WORKS_ONCE_MORE = "the machine works", "the machine works again"
"""What is told of each fault: that the machine works under it; that it does so after it has stopped under it.
No memory of a user has such a name."""


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
    phase = Cell("phase under a fault", 0, WORKS if times else WORKS_AGAIN, NOT_BEGUN, Scope.MONITOR)
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
    block: list[Statement] = []
    if since is not None:
        more = Assign(since, Operation(Operator.ADD, Ref(since), Constant(1)))
        block.append(If(Operation(Operator.LT, Ref(since), Constant(since.high)), (more,)))
    works = machine_works(loop)
    events = loop.monitors.first_index + len(loop.monitors.broken)
    block.append(If(works, _working(phase, since is None, events), _resting(phase, since is None)))
    clocks = () if since is None else (Clock(since, ClockKind.FAULT, Constant(since.high)),)
    monitors = replace(
        loop.monitors,
        cells=(*loop.monitors.cells, phase, *(clock.cell for clock in clocks)),
        clocks=(*loop.monitors.clocks, *clocks),
        broken=(*loop.monitors.broken, *EVENTS),
    )
    return replace(loop, monitors=monitors, after=(*loop.after, If(begun, tuple(block))))


def _working(phase: Cell, again: bool, events: int) -> Block:
    works = Note(NoteKind.BROKEN, events)
    if not again:
        return (works, Assign(phase, Constant(WORKS)))
    once_more = Note(NoteKind.BROKEN, events + 1)
    return (
        works,
        If(_equals(phase, RESTS_AGAIN), (once_more,)),
        Assign(phase, _after(phase, (WORKS, WORKS, WORKS, WORKS_AGAIN, WORKS_AGAIN))),
    )


def _resting(phase: Cell, again: bool) -> Block:
    if not again:
        return (Assign(phase, Constant(RESTS)),)
    return (Assign(phase, _after(phase, (RESTS, RESTS, RESTS_AGAIN, RESTS_AGAIN, RESTS_AGAIN))),)


def _after(phase: Cell, phases: tuple[int, ...]) -> Term:
    """The phase that follows each."""
    return Lookup(phases, Ref(phase))


def _equals(cell: Cell, value: int) -> Term:
    return Operation(Operator.EQ, Ref(cell), Constant(value))
