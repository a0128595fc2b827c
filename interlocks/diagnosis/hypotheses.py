"""What may be wrong with a machine in the field: one hypothesis for each single fault, and none.

Beside the faults of the check (stuck on, stuck off, power), an input whose contact is
intermittent: from some moment on it may be open in any scan. That is more than the switch
model of the simulation does, whose drops end after a time, so nothing true is ruled out.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from stillgate.controller.machine_file.machine import Machine
from stillgate.sim_io.faults.fault_list import FaultKind, faults_of


class Trouble(Enum):
    """How a hypothesis changes what passes a terminal."""

    NONE = "nothing wrong"
    INPUT_ON = "input stuck on"
    INPUT_OFF = "input stuck off"
    INPUT_LOOSE = "input intermittent"
    OUTPUT_ON = "output stuck on"
    OUTPUT_OFF = "output stuck off"
    POWER = "power interrupted"


_OF_KIND = {
    FaultKind.INPUT_ON: Trouble.INPUT_ON,
    FaultKind.INPUT_OFF: Trouble.INPUT_OFF,
    FaultKind.OUTPUT_ON: Trouble.OUTPUT_ON,
    FaultKind.OUTPUT_OFF: Trouble.OUTPUT_OFF,
    FaultKind.POWER: Trouble.POWER,
}

OF_INPUTS = frozenset({Trouble.INPUT_ON, Trouble.INPUT_OFF, Trouble.INPUT_LOOSE})
OF_OUTPUTS = frozenset({Trouble.OUTPUT_ON, Trouble.OUTPUT_OFF})


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One thing that may be wrong; ``subject`` is the input or output it is about."""

    trouble: Trouble
    subject: str = ""

    @property
    def name(self) -> str:
        """As reports spell it; single faults as everywhere else."""
        match self.trouble:
            case Trouble.NONE | Trouble.POWER:
                return str(self.trouble.value)
            case Trouble.INPUT_LOOSE:
                return f"{self.subject} intermittent"
            case Trouble.INPUT_ON | Trouble.OUTPUT_ON:
                return f"{self.subject} stuck on"
            case Trouble.INPUT_OFF | Trouble.OUTPUT_OFF:
                return f"{self.subject} stuck off"


NOTHING = Hypothesis(Trouble.NONE)


def hypotheses_of(machine: Machine) -> tuple[Hypothesis, ...]:
    """Nothing, every single fault that the file does not exclude, every input intermittent."""
    faults = tuple(Hypothesis(_OF_KIND[fault.kind], fault.subject) for fault in faults_of(machine))
    loose = tuple(Hypothesis(Trouble.INPUT_LOOSE, name) for name in machine.inputs)
    return (NOTHING, *faults, *loose)
