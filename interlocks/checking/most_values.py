"""What of a loop has the most values: where to look when a search did not come to its end.

A time has as many values as ticks, a counter as many as its range; whatever else there is in a machine is
multiplied by them in a search of single situations, and in sets by how they meet.
"""

from __future__ import annotations

from collections.abc import Iterator

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.program.program import ClockKind, memory_name

from ..loop.closed_loop import ClosedLoop

_OF_PARTS = (ClockKind.PART_WAITS, ClockKind.SOONEST, ClockKind.LATEST)
_OF_REQUIREMENTS = (ClockKind.RESPONSE, ClockKind.INVARIANCE)


def dearest(loop: ClosedLoop) -> str:
    """The time, part or counter with the most values, in words; empty if there is none."""
    found = max(_candidates(loop), default=None)
    return "" if found is None else f"most values has {found[1]}"


def _candidates(loop: ClosedLoop) -> Iterator[tuple[int, str]]:
    observed = {item.run: item.text for item in loop.controller.observers}
    for clock in loop.clocks:
        ticks = clock.cell.high
        if ticks < 1:
            continue
        name = clock.cell.name.partition(".")[0]
        if clock.kind is ClockKind.STATE:
            what = f"the time in states of {name}"
        elif clock.kind in _OF_PARTS:
            what = f"the part {name}"
        elif clock.kind in _OF_REQUIREMENTS:
            what = f"the time of requirement {name}"
        elif clock.cell in observed:
            what = f"the time of {observed[clock.cell]}"
        elif clock in loop.controller.clocks:
            what = f"the time of input {name}"
        else:
            what = "a 'held' of the requirements"
        yield ticks, f"{what} ({ticks} ticks, {format_duration(ticks * loop.tick)})"
    for cell, _ in loop.controller.bounds_marks:
        values = cell.high - cell.low + 1
        yield values, f"the counter {memory_name(cell)} ({values} values)"
