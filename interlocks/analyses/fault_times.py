"""Times from a fault's beginning, also from before it shows.

The search of the fault table lets a stuck fault begin only where it changes something (``fault_injection``):
enough for what it breaks, but the time until the machine stands is then counted from when the fault shows.
A contact that sticks while it must be closed anyway is noticed when it should open; all that time the
machine works under the fault. So the faults for which a longest time, or the next start, would be told are
searched a second time, alone and without requirements, and may then begin in any tick whatsoever. A fault
that can stay unseen for ever while the machine can work ends nothing.

Only those: what may go on for ever after a fault has shown may do so all the more before.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.machine_file.machine import Exclusion, Machine
from stillgate.sim_io.faults.fault_list import Fault, FaultKind

from ..exploration.explorer import Status
from ..exploration.fault_search import FaultExplorer, UnderFault, build_fault_checker, with_work_goal
from ..loop.closed_loop import ClosedLoop, close_loop


def from_any_moment(
    loop: ClosedLoop,
    found: dict[int, UnderFault],
    effort: Effort,
    on_slow_build: Callable[[], None] | None = None,
) -> dict[int, UnderFault]:
    """What each fault leads to, its times counted from any moment at which it may have begun.

    Args:
        loop: the loop of the fault table.
        found: what the fault pass said of it.
        effort: of the second search.

    Returns:
        The same by fault number; ``ends`` is None where the second search was cut short.
    """
    late = [item for item in loop.faults if _begins_late(loop, item) and _is_told(found[item.number])]
    if not late:
        return found
    second = with_work_goal(
        close_loop(_with_faults(loop, late), tick=loop.tick, faults=1, possibility=False, unseen=True)
    )
    times = None
    with suppress(OutOfTime):
        library = build_fault_checker(second, on_slow_build, effort)
        with FaultExplorer(second, library, effort) as explorer:
            if explorer.run().status is Status.COMPLETE:
                times = explorer.by_fault()
    known = dict(found)
    numbers = {item.name: item.number for item in second.faults}
    for item in late:
        if times is None:
            known[item.number] = replace(found[item.number], ends=None, longest=0)
            continue
        seen, any_moment = found[item.number], times[numbers[item.name]]
        known[item.number] = replace(
            seen, ends=any_moment.ends, longest=any_moment.longest, restless=any_moment.restless
        )
    return known


def _begins_late(loop: ClosedLoop, fault: Fault) -> bool:
    """Whether the fault table's search begins it only where it shows."""
    free = {item.signal.name for item in loop.free}
    return fault.kind is not FaultKind.POWER and fault.subject not in free


def _is_told(found: UnderFault) -> bool:
    """Whether a longest time or the next start is said of it."""
    return bool(found.ends) or not found.restless


def _with_faults(loop: ClosedLoop, faults: list[Fault]) -> Machine:
    """The machine without requirements, and with these faults only."""
    machine = loop.machine
    kept = {item.name for item in faults}
    left_out = [
        Exclusion.model_construct(fault=item.name, why="looked at elsewhere")
        for item in loop.faults
        if item.name not in kept
    ]
    check = machine.check.model_copy(update={"exclude": [*machine.check.exclude, *left_out]})
    return machine.model_copy(update={"requirements": {}, "check": check})
