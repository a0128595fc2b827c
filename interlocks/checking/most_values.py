"""What of a loop has the most values: where to look when a search did not come to its end.

A time has as many values as ticks, a counter as many as its range; whatever else there is in a machine is
multiplied by them in a search of single situations, and in sets by how they meet.
"""

from __future__ import annotations

from collections.abc import Iterator

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.program.program import Cell

from ..loop.closed_loop import ClosedLoop


def dearest(loop: ClosedLoop) -> str:
    """The time, part or counter with the most values, in words; empty if there is none."""
    found = max(_candidates(loop), default=None)
    return "" if found is None else f"most values has {found[1]}"


def _candidates(loop: ClosedLoop) -> Iterator[tuple[int, str]]:
    measured = _measured(loop)
    for clock in loop.clocks:
        ticks = clock.cell.high
        if ticks >= 1:
            what = measured.get(clock.cell, "a 'held' of the requirements")
            yield ticks, f"{what} ({ticks} ticks, {format_duration(ticks * loop.tick)})"
    for cell, _ in loop.controller.bounds_marks:
        values = cell.high - cell.low + 1
        yield values, f"the counter {loop.controller.memory[cell]} ({values} values)"


def _measured(loop: ClosedLoop) -> dict[Cell, str]:
    """Cells that measure time, with what they measure it of."""
    found = {cell: f"the part {part.name}" for part in loop.plant.parts for cell in part.cells}
    found |= {cell: f"the time of requirement {name}" for name, cell in loop.monitors.obligations.items()}
    found |= {
        cell: f"the time of input {item.name}" for item in loop.controller.signals for cell in item.memory
    }
    found |= {item.run: f"the time of {item.text}" for item in loop.controller.observers}
    for sequence in loop.controller.sequences:
        if sequence.elapsed is not None:
            found[sequence.elapsed] = f"the time in states of {sequence.name}"
    return found
