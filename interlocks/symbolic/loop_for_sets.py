"""The closed loop that a search over sets explores."""

from __future__ import annotations

from ..loop.closed_loop import ClosedLoop, close_loop
from ..requirements.monitors import asks_possibility

LONG_HISTORY = 64
"""Ticks of a debounce or hold from which on the level of an input that nothing drives is chosen in every
tick, instead of being told from all its histories: those would be too many to list."""


def loop_for_sets(loop: ClosedLoop) -> ClosedLoop:
    """The loop that a search over sets explores instead: the very same, unless some input's histories are
    too many to be listed."""
    machine, tick, faults = loop.machine, loop.tick, loop.budget
    long = {clock.cell for clock in loop.controller.clocks if clock.cell.high > LONG_HISTORY}
    eager = [signal.name for signal in loop.controller.signals if long & set(signal.memory)]
    if not eager:
        return loop
    exact = not faults and asks_possibility(machine)
    return close_loop(machine, tick=tick, faults=faults, possibility=not faults, exact=exact, eager=eager)
