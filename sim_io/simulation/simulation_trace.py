"""A simulated run as a log in memory: what the controller saw and did, and what was physically so.

Such a log is written as a trace, see ``logs.writers``.
"""

from __future__ import annotations

from ..logs.change_capture import ChangeCapture
from ..logs.log import Change, Log, LogHeader, Signal, Subject, log_in_memory
from .simulation import Frame, Simulation


class SimulationTrace:
    """Gathers what a simulation does, the controller's view and the physical one.

    ::

        trace = SimulationTrace(simulation, digest=digest)
        for frame in play(simulation, events, duration):
            trace.add(frame)
        write_trace(trace.log(), Path("run.vcd"))
    """

    def __init__(self, simulation: Simulation, *, digest: str = "", version: str = "") -> None:
        machine = simulation.machine
        self._capture = ChangeCapture(simulation.executive)
        self._changes: list[Change] = []
        self._physical: dict[Signal, int | str] = {}
        signals = (
            *self._capture.signals,
            *((Subject.CIRCUIT, name) for name in machine.inputs),
            *((Subject.DRIVEN, name) for name in machine.outputs),
            *((Subject.PART, name) for name in machine.parts),
        )
        self._header = LogHeader(
            machine.machine, digest, version, machine.scan, signals=signals, from_power_on=True
        )

    def add(self, frame: Frame) -> None:
        """Takes notice of a step, right after it was made."""
        for seen in self._capture.look():
            self._changes.append(Change(frame.time, seen.subject, seen.name, seen.value))
        now: dict[Signal, int | str] = {}
        for name, level in frame.circuits.items():
            now[Subject.CIRCUIT, name] = int(level)
        for name, level in frame.outputs.items():
            now[Subject.DRIVEN, name] = int(level)
        for name, place in frame.parts.items():
            now[Subject.PART, name] = place
        for signal, value in now.items():
            if self._physical.get(signal) != value:
                self._changes.append(Change(frame.time, *signal, value))
        self._physical = now

    def log(self) -> Log:
        """Everything so far."""
        return log_in_memory(self._header, self._changes)
