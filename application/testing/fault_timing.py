"""What fails in a run, and when: at a moment of the machine's own, not of the clock.

A fault that begins while nothing moves mostly shows nothing. So what is to fail waits for the
machine: a given fault until outputs have changed a number of times, or the fault of a signal
that has just changed, which then stays as it was before: an output that does not follow, a
switch that does not let go. Both are drawn before the run and depend on nothing but the run.
"""

from __future__ import annotations

from collections.abc import Mapping

from hypothesis import strategies as st

from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.checking.checker import required_faults
from stillgate.interlocks.simulated_runs.requirement_watch import watched
from stillgate.sim_io.faults.disturbances import Disturbance
from stillgate.sim_io.faults.fault_list import FaultKind, faults_of
from stillgate.sim_io.simulation.simulation import disturbance_of

from .connections import Connections
from .fast_simulation import LoweredRun

Signal = tuple[str, bool]
"""A signal and the level that it is stuck at."""

Drawn = tuple[int | None, int]
"""The number of a fault, or None for that of the signal that changes; how many changes it waits for."""

FAILING: st.SearchStrategy[Drawn | None] = st.one_of(
    st.none(),
    st.tuples(st.integers(0, 255), st.sampled_from((0, 0, 0, 1, 1, 2, 2, 3, 4, 6))),
    st.tuples(st.none(), st.integers(0, 15)),
)
"""What fails in a run: nothing, a fault by number, or what changes at some moment."""

ON = (FaultKind.INPUT_ON, FaultKind.OUTPUT_ON)


def suspects_of(
    machine: Machine, connections: Connections, requirements: tuple[str, ...] | None
) -> dict[Signal, Disturbance]:
    """Stuck faults of what requirements lean on that must withstand a fault.

    Args:
        machine: the machine.
        connections: of it.
        requirements: names of those that are judged; None for all that a run can break.
    """
    leaning = {
        name
        for item in watched(machine, requirements).values()
        if required_faults(machine, item)
        for name in connections.leans_on(item)
    }
    return {
        (fault.subject, fault.kind in ON): disturbance_of(fault)
        for fault in faults_of(machine)
        if fault.subject in leaning
    }


class ComingFault:
    """Something that is to fail in a run.

    Args:
        drawn: what, and after how many changes.
        suspects: what may fail.
        run: the run, at power-on.
    """

    def __init__(self, drawn: Drawn, suspects: Mapping[Signal, Disturbance], run: LoweredRun) -> None:
        number, self._left = drawn
        self._suspects = suspects
        self._fault = None if number is None else list(suspects.values())[number % len(suspects)]
        self._levels = self._looked(run)

    def due(self, run: LoweredRun) -> Disturbance | None:
        """What fails now, looked at once a scan; None if nothing does yet."""
        before, self._levels = self._levels, self._looked(run)
        if run.scan == 1:  # in the first scan switches take the levels that the parts begin with
            return self._fault if self._fault is not None and self._left <= 0 else None
        changed = [(name, on) for name, on in before.items() if self._levels[name] is not on]
        if self._fault is not None:
            self._left -= bool(changed)
            return self._fault if self._left <= 0 else None
        stays = [signal for signal in changed if signal in self._suspects]
        if self._left < len(stays):
            return self._suspects[stays[self._left]]
        self._left -= len(stays)
        return None

    def _looked(self, run: LoweredRun) -> Mapping[str, bool]:
        return run.outputs if self._fault is not None else {**run.outputs, **run.sensed}
