"""What a machine's loop in C is made of: its text, its cells, and how it is compiled."""

from __future__ import annotations

from dataclasses import dataclass

from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.program import Block, Cell

from ..faults.disturbances import Disturbance
from .environment import Surroundings
from .operators import OperatorKind

FAST = ("-std=gnu11", "-O1", "-w", "-DLOOP_FAST")
"""To run many shifts. Measured: -O2 takes the compiler thrice as long and gains a fifth at most."""

CLOSE = ("-std=gnu11", "-O1", "-w")
"""To run single shifts, or events, with a trace; quickly compiled."""


@dataclass(frozen=True)
class Judging:
    """What is judged in every scan: statements whose BROKEN notes count from 0, and their cells."""

    cells: tuple[Cell, ...] = ()
    block: Block = ()
    names: tuple[str, ...] = ()  # what each BROKEN index stands for


@dataclass(frozen=True)
class LoopSource:
    """The C text of a machine's loop.

    Attributes:
        around: the surroundings by operator; None is the one of events.
        files: the C files by name.
        main: the file to compile.
        targets: what an event may set, by its number.
        traced: the cells that a trace holds for every scan, followed by the broken indices.
        mishaps: one of these begins in a shift under an operator.
    """

    machine: Machine
    controller: ControllerProgram
    around: dict[OperatorKind | None, Surroundings]
    judging: Judging
    files: dict[str, str]
    main: str
    targets: tuple[Cell, ...]
    traced: tuple[Cell, ...]
    mishaps: tuple[Disturbance, ...] = ()

    @property
    def free_circuits(self) -> tuple[Cell, ...]:
        """Cells of the inputs that no part senses."""
        around = self.around[None]
        return tuple(around.circuits[name] for name in around.free)

    @property
    def present(self) -> dict[Disturbance, Cell]:
        """For every disturbance the cell that is 1 while it is there."""
        return self.around[None].switches.present

    @property
    def disturbances(self) -> tuple[Disturbance, ...]:
        """Those that are there from the start under an operator."""
        return tuple(item for item in self.present if item not in self.mishaps)


def kind_number(operator: OperatorKind | None) -> int:
    """The number of an operator in C; 0 is for events."""
    return 0 if operator is None else 1 + list(OperatorKind).index(operator)
