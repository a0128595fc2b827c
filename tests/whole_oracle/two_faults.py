"""Pairs of faults: what two do that neither does alone."""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

from stillgate.controller.machine_file.machine import FromAnywhere, Machine, Reach, Requirement

from .faults import faults_of
from .judging import explore, first_mark, none_but
from .monitors import Monitor
from .world import World


class FaultBreaks(NamedTuple):
    """What breaks, each with its first instant.

    Attributes:
        alone: by each fault what breaks with it or without it.
        together: by two faults of different signals what breaks with both that neither breaks alone.
    """

    alone: dict[str, dict[str, int]]
    together: dict[tuple[str, str], dict[str, int]]


def breaks_of_faults(machine: Machine, *, tick: int, most: int) -> FaultBreaks:
    """Every fault that is not excluded, and every two of them.

    Raises:
        TooLarge: if more than ``most`` ticks are to be looked at.
    """
    known = faults_of(machine)
    graph = explore(World(machine, tick=tick, budget=2), most)
    monitors = {
        name: Monitor(machine, item, tick) for name, item in machine.requirements.items() if _looked_at(item)
    }

    def broken(*faults: str) -> dict[str, int]:
        depths = {name: first_mark(graph, item, none_but(*faults)).depth for name, item in monitors.items()}
        return {name: depth for name, depth in depths.items() if depth is not None}

    alone = {fault: broken(fault) for fault in known}
    together = {
        (one, other): {
            name: depth
            for name, depth in broken(one, other).items()
            if name not in alone[one] and name not in alone[other]
        }
        for one, other in combinations(known, 2)
        if one.split()[0] != other.split()[0]
    }
    return FaultBreaks(alone, together)


def _looked_at(requirement: Requirement) -> bool:
    if isinstance(requirement, Reach | FromAnywhere):
        return False
    return requirement.hazard is not None or requirement.faults != 0
