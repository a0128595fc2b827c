"""At which tick a machine is explored: the one place that says which ticks there are."""

from __future__ import annotations

from stillgate.controller.errors import UsageError
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.rules.rules import tick_problem

SCAN: Milliseconds = 0
"""Asked for as a tick, the scan of the controller, whatever it is."""


def chosen_tick(machine: Machine, asked: Milliseconds | None) -> Milliseconds:
    """Period of an exploration in ms.

    Args:
        asked: period in ms; ``SCAN`` for the controller's scan; None for the file's, or else the scan.

    Raises:
        UsageError: if it is shorter than the scan or no whole number of scans.
    """
    if asked == SCAN:
        return machine.scan
    tick = asked or machine.check.tick or machine.scan
    problem = tick_problem(tick, machine.scan)
    if problem is not None:
        raise UsageError(f"{machine.machine}: {problem[0]}; {problem[1]}, or 'scan'")
    return tick
