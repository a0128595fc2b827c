"""What a simulated run leaves on disk besides its report: a trace, and a log as the recorder writes it."""

from __future__ import annotations

import hashlib
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from stillgate.controller.errors import UsageError

if TYPE_CHECKING:
    from stillgate.sim_io.simulation.simulation import Frame, Simulation


class RunFiles:
    """Follows a simulation, to be used as a context around it.

    Args:
        simulation: before its first step.
        machine: the machine file, for its digest.
        trace: where a trace goes; its suffix tells the form.
        record: where a log goes that the recorder writes; one that is there is gone on with.

    Raises:
        UsageError: if the trace has no known suffix, or the log cannot be written.
        ToolMissing: if the library for the trace is not installed.
    """

    def __init__(
        self, simulation: Simulation, machine: Path, *, trace: Path | None = None, record: Path | None = None
    ) -> None:
        from ..console.version import installed_version

        digest = hashlib.sha256(machine.read_bytes()).hexdigest() if trace or record else ""
        self._target = trace
        self._trace = self._recorder = None
        self._simulation = simulation
        if trace is not None:
            from stillgate.sim_io.logs.writers.traces import trace_writer
            from stillgate.sim_io.simulation.simulation_trace import SimulationTrace

            trace_writer(trace)  # a wrong suffix is told before the work
            self._trace = SimulationTrace(simulation, digest=digest, version=installed_version())
        if record is not None:
            from stillgate.sim_io.logs.recorder import Recorder

            name = simulation.machine.machine
            self._recorder = Recorder(record, simulation.executive, machine=name, digest=digest, report=_say)
            if self._recorder.status.failure:
                raise UsageError(f"{record}: the log cannot be written: {self._recorder.status.failure}")

    def take(self, frame: Frame) -> None:
        """Takes notice of a step, right after it was made."""
        if self._trace is not None:
            self._trace.add(frame)
        if self._recorder is not None:
            if not frame.scanned and self._simulation.executive.powered:
                self._recorder.event("overrun", "the scan before took too long; none at this time")
            self._recorder.record()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Ends the log, and writes the trace unless the run itself failed."""
        if self._recorder is not None:
            self._recorder.close()
        if self._trace is not None and self._target is not None and kind is None:
            from stillgate.sim_io.logs.writers.traces import write_trace

            write_trace(self._trace.log(), self._target)


def _say(message: str) -> None:
    import sys

    from ..console.terminal import write_line

    write_line(f"stillgate: warning: {message}", sys.stderr)
