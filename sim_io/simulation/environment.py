"""All that surrounds a controller in a simulation: operator, parts, switches, as one set of statements.

Both simulations, the Python one and the one in C, run exactly these, in this order::

    begin                                     once
    operate · sense · switches.before         before the scan
    switches.after · plant.conditions         after the scan; then requirements are judged
    plant.moves
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.program import Assign, Block, Cell, Scope

from ..faults.disturbances import Disturbance
from ..faults.switches import Switchgear, lower_switches
from ..parts.plant import Plant, lower_plant
from .operators import OperatorKind, OperatorProgram, lower_operator, rest_level


@dataclass(frozen=True)
class Surroundings:
    """Everything around a controller.

    Attributes:
        plant: the parts.
        switches: what lies between.
        operator: who moves the free inputs, or None.
        circuits: the cell of the healthy circuit of every input.
        free: names of the inputs that no part senses.
        asked: the cell of what the controller asks of every output.
        sense: computes the circuits that parts sense.
    """

    plant: Plant
    switches: Switchgear
    operator: OperatorProgram | None
    circuits: dict[str, Cell]
    free: tuple[str, ...]
    asked: dict[str, Cell]
    sense: Block

    @property
    def begin(self) -> Block:
        """How everything is at the start."""
        return (*self.plant.begin, *(self.operator.begin if self.operator else ()))

    @property
    def operate(self) -> Block:
        """What the operator does before a scan."""
        return self.operator.block if self.operator else ()

    @property
    def cells(self) -> tuple[Cell, ...]:
        """Everything that is remembered from scan to scan, and what is driven."""
        operator = self.operator.cells if self.operator else ()
        return (
            *self.circuits.values(),
            *self.plant.cells,
            *self.plant.driven.values(),
            *self.switches.cells,
            *operator,
        )


def surround(
    machine: Machine,
    controller: ControllerProgram,
    *,
    disturbances: Iterable[Disturbance] = (),
    operator: OperatorKind | None = None,
    from_start: Iterable[Disturbance] = (),
    period: Milliseconds | None = None,
) -> Surroundings:
    """The surroundings of a machine's controller.

    Args:
        machine: the machine.
        controller: its lowered controller.
        disturbances: all that may be there at some time.
        operator: who moves the free inputs.
        from_start: those of the disturbances that are there from the beginning.
        period: step; without it, the scan.
    """
    step = period or machine.scan
    plant = lower_plant(machine, step)
    circuits: dict[str, Cell] = {}
    for name in machine.inputs:
        sensed = name in plant.circuits
        rest = 0 if sensed else int(rest_level(machine, name))
        circuits[name] = Cell(f"{name}.circuit", 0, 1, rest, Scope.PART, persistent=not sensed)
    asked = {output.name: output.asked for output in controller.outputs}
    free = tuple(name for name in machine.inputs if name not in plant.circuits)
    switches = lower_switches(disturbances, circuits, asked, plant.driven, step, from_start=from_start)
    person: OperatorProgram | None = None
    if operator is not None:
        person = lower_operator(machine, controller, {name: circuits[name] for name in free}, operator, step)
    return Surroundings(
        plant=plant,
        switches=switches,
        operator=person,
        circuits=circuits,
        free=free,
        asked=asked,
        sense=tuple(Assign(circuits[name], term) for name, term in plant.circuits.items()),
    )
