"""What may go wrong: the faults of a machine and which of them may begin in a tick."""

from __future__ import annotations

from itertools import combinations

from stillgate.controller.machine_file.machine import Machine

POWER = "power interrupted"

Faults = frozenset[str]
"""Faults that have begun; a loss of power stays in it when power is back, for it is used up."""


def faults_of(machine: Machine) -> list[str]:
    """All faults that are not excluded."""
    named = [f"{name} stuck {word}" for name in (*machine.inputs, *machine.outputs) for word in ("on", "off")]
    excluded = {item.fault for item in machine.check.exclude}
    return [fault for fault in (*named, POWER) if fault not in excluded]


def may_begin(known: list[str], begun: Faults, budget: int) -> list[Faults]:
    """The faults that may have begun after step 1 of a tick."""
    rest = [fault for fault in known if fault not in begun]
    return [
        begun | frozenset(new)
        for count in range(budget - len(begun) + 1)
        for new in combinations(rest, count)
    ]


def stuck(name: str, level: int, begun: Faults) -> int:
    """A level as a stuck fault leaves it."""
    if f"{name} stuck on" in begun:
        return 1
    return 0 if f"{name} stuck off" in begun else level
