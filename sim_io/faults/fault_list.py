"""Single faults: what can go wrong, by name and number.

The faults of a machine are: every input stuck on (a short) or stuck off (a broken wire),
every output stuck on or stuck off, and an interruption of power. Number 0 means no fault;
the numbering follows the file's order, so it is the same for every backend.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.rules.single_faults import POWER_INTERRUPTED, stuck_name


class FaultKind(Enum):
    """Ways in which a machine fails singly."""

    INPUT_ON = "input stuck on"
    INPUT_OFF = "input stuck off"
    OUTPUT_ON = "output stuck on"
    OUTPUT_OFF = "output stuck off"
    POWER = "power interrupted"


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault; ``subject`` is the input's or output's name, empty for power."""

    number: int
    kind: FaultKind
    subject: str

    @property
    def name(self) -> str:
        """As exclusions and reports spell it."""
        if self.kind is FaultKind.POWER:
            return POWER_INTERRUPTED
        return stuck_name(self.subject, on=self.kind in (FaultKind.INPUT_ON, FaultKind.OUTPUT_ON))


def faults_of(machine: Machine) -> tuple[Fault, ...]:
    """Every single fault of a machine that is not excluded, numbered from 1."""
    excluded = {item.fault for item in machine.check.exclude}
    subjects: list[tuple[FaultKind, str]] = []
    for name in machine.inputs:
        subjects += [(FaultKind.INPUT_ON, name), (FaultKind.INPUT_OFF, name)]
    for name in machine.outputs:
        subjects += [(FaultKind.OUTPUT_ON, name), (FaultKind.OUTPUT_OFF, name)]
    subjects.append((FaultKind.POWER, ""))
    found: list[Fault] = []
    for kind, subject in subjects:
        fault = Fault(len(found) + 1, kind, subject)
        if fault.name not in excluded:
            found.append(fault)
    return tuple(found)
