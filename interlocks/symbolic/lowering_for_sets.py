"""The closed loop that a search over sets explores."""

from __future__ import annotations

from collections.abc import Callable, Collection

from ..loop.closed_loop import ClosedLoop, close_loop
from ..requirements.monitors import asks_possibility

LONG_HISTORY = 64
"""Ticks of a debounce or hold from which on the level of an input that nothing drives is chosen in every
tick, instead of being told from all its histories: those would be too many to list."""


def loop_for_sets(loop: ClosedLoop) -> ClosedLoop:
    """The loop that a search over sets explores instead: the very same, unless some input's histories are
    too many to be listed."""
    machine, tick, faults = loop.machine, loop.tick, loop.budget
    exact = not faults and asks_possibility(machine)
    eager = chosen_in_every_tick(loop)
    if not eager:
        return loop
    return close_loop(
        machine, tick=tick, faults=faults, possibility=not faults, exact=exact, eager=eager,
        controller=loop.controller,
    )  # fmt: skip


def made_for_sets(make: Callable[[Collection[str]], ClosedLoop]) -> ClosedLoop:
    """As ``loop_for_sets``, of a loop that is more than its machine: ``make`` closes it, given such
    inputs."""
    loop = make(())
    eager = chosen_in_every_tick(loop)
    return make(eager) if eager else loop


def chosen_in_every_tick(loop: ClosedLoop) -> list[str]:
    """Inputs whose histories are too many to be listed."""
    long = {clock.cell for clock in loop.controller.clocks if clock.cell.high > LONG_HISTORY}
    return [signal.name for signal in loop.controller.signals if long & set(signal.memory)]
