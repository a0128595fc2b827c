"""The monitors of every requirement as statements of the simulated loop in C."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.lowering import lower_controller
from stillgate.sim_io.faults.disturbances import Disturbance
from stillgate.sim_io.simulation.batch import BatchSimulation
from stillgate.sim_io.simulation.batch_program import Judging
from stillgate.sim_io.simulation.environment import surround

from ..requirements.monitors import lower_monitors
from .requirement_watch import watched


def judging_of(machine: Machine, requirements: Iterable[str] | None = None) -> Judging:
    """Monitors at the scan, and counters that leave their bounds.

    Args:
        machine: the machine.
        requirements: names of those to watch; None for all that one run can break.
    """
    controller = lower_controller(machine)
    around = surround(machine, controller)
    monitors = lower_monitors(
        machine,
        controller,
        around.plant,
        around.circuits,
        machine.scan,
        triggers=False,
        judged=watched(machine, requirements),
    )
    counters = tuple(f"{controller.memory[cell]} in its bounds" for cell, _ in controller.bounds_marks)
    missing = tuple("" for _ in range(monitors.first_index - len(counters)))
    return Judging(monitors.cells, monitors.block, (*counters, *missing, *monitors.broken))


def judged_batch(
    machine: Machine,
    disturbances: Sequence[Disturbance] = (),
    requirements: Iterable[str] | None = None,
    mishaps: Sequence[Disturbance] = (),
) -> BatchSimulation:
    """A machine's loop in C with every requirement monitored.

    Raises:
        ToolMissing: if there is no C compiler.
    """
    return BatchSimulation(machine, disturbances, judging_of(machine, requirements), mishaps)
