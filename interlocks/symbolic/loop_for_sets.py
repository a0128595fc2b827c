"""The closed loop that a search over sets explores."""

from __future__ import annotations

from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import FromAnywhere, Machine, Reach

from ..loop.closed_loop import ClosedLoop, close_loop

LONG_HISTORY = 64
"""Ticks of a debounce or hold from which on the level of an input that nothing drives is chosen in every
tick, instead of being told from all its histories: those would be too many to list."""


def loop_for_sets(machine: Machine, *, tick: Milliseconds, faults: int) -> ClosedLoop:
    """The loop that a search over sets explores; possibility is judged without faults."""
    plain = close_loop(machine, tick=tick, faults=faults, possibility=not faults, lazy=False)
    long = {clock.cell for clock in plain.clocks if clock.cell.high > LONG_HISTORY}
    eager = [signal.name for signal in plain.controller.signals if long & set(signal.memory)]
    possible = any(isinstance(item, Reach | FromAnywhere) for item in machine.requirements.values())
    return close_loop(
        machine, tick=tick, faults=faults, possibility=not faults, exact=possible and not faults, eager=eager
    )
