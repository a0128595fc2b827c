"""An eight-hour log replayed, a ten-minute log diagnosed: as commands, with their memory.

The eight hours come twice: of a sensible operator, which is what the target is about, and of a
hostile one, who presses something several times a second as nobody does for eight hours: a
log as dense as a log can be, without a target.

The eight hours are a ten-minute shift of the simulator over and over; where one shift follows
another, the log and the logic may part, which costs a replay nothing. Times are those of
the whole command, start of Python included; the compiler has been at work before.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from stillgate.controller.reading.reader import MachineDocument
from stillgate.sim_io.faults.disturbances import Disturbance, DisturbanceKind
from stillgate.sim_io.logs.log import Log, LogHeader, log_in_memory
from stillgate.sim_io.logs.readers import read_log
from stillgate.sim_io.logs.recorder import Recorder
from stillgate.sim_io.logs.writers.traces import write_trace
from stillgate.sim_io.simulation.operators import OperatorKind
from stillgate.sim_io.simulation.simulation import Simulation

from .figures import Figure, at_most

_SHIFT = 600_000
_HOURS = 8
_STARTED = datetime(2026, 1, 1, tzinfo=UTC)


def measure(document: MachineDocument) -> tuple[list[Figure], list[str]]:
    """Figures of one machine; the fault is a loose contact of its last switch that a part moves."""
    machine = document.machine
    sensed = [name for part in machine.parts.values() for name in part.senses]
    fault = Disturbance(DisturbanceKind.INTERMITTENT, (sensed[-1],), 60_000)
    with tempfile.TemporaryDirectory() as folder:
        healthy, faulty = Path(folder, "healthy.log"), Path(folder, "faulty.log")
        _record(document, healthy, None)
        _record(document, faulty, fault)
        shift = read_log(healthy, machine)
        long = Path(folder, "eight_hours.csv")
        write_trace(_repeated(shift, _HOURS * 3_600_000 // _SHIFT), long)
        _run("replay", document, healthy)  # builds
        replay = _cost("replay", document, long)
        diagnosis = _cost("diagnose", document, faulty)
        size = long.stat().st_size / 2**20
        hasty, dense = Path(folder, "hasty.log"), Path(folder, "dense.csv")
        _record(document, hasty, None, OperatorKind.HOSTILE)
        often = read_log(hasty, machine)
        write_trace(_repeated(often, _HOURS * 3_600_000 // _SHIFT), dense)
        busy = _cost("replay", document, dense)
        per_hour = [sum(1 for _ in log.changes()) * 3_600_000 // _SHIFT for log in (shift, often)]
    memory = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 2**20
    scans = _HOURS * 3_600_000 // machine.scan
    return [
        at_most(f"replay of {_HOURS} h, the whole command", replay.processor, 5, "s of processor"),
        Figure("the same, as the clock on the wall has it", f"{replay.wall:.3g} s"),
        Figure(
            f"replay of {_HOURS} h in which something is pressed all the time",
            f"{busy.processor:.3g} s of processor",
        ),
        at_most("diagnosis of 10 min, the whole command", diagnosis.processor, 60, "s of processor"),
        Figure("the same, as the clock on the wall has it", f"{diagnosis.wall:.3g} s"),
        at_most("memory of the larger of the two", memory, 1, "GiB"),
    ], [
        f"{machine.machine}, {scans / 1e6:.3g} million scans, {size:.0f} MiB of CSV; hidden fault: {fault}",
        f"changes an hour: {per_hour[0]} with a sensible operator, {per_hour[1]} pressed all the time",
    ]


@dataclass(frozen=True, slots=True)
class Cost:
    """Seconds of processor of a command and by the clock on the wall."""

    processor: float
    wall: float


def _cost(command: str, document: MachineDocument, log: Path) -> Cost:
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    _run(command, document, log)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(used, time.perf_counter() - begun)


def _record(
    document: MachineDocument,
    path: Path,
    fault: Disturbance | None,
    operator: OperatorKind = OperatorKind.SENSIBLE,
) -> None:
    machine = document.machine
    simulation = Simulation(machine, seed=1, operator=operator)
    digest = document.digest
    with Recorder(
        path, simulation.executive, machine=machine.machine, digest=digest, clock=lambda: _STARTED
    ) as recorder:
        for scan in range(_SHIFT // machine.scan):
            if fault is not None and scan == _SHIFT // machine.scan // 3:
                simulation.inject(fault)
            simulation.step()
            recorder.record()


def _repeated(shift: Log, times: int) -> Log:
    changes = list(shift.changes())
    header: LogHeader = shift.header
    return log_in_memory(
        header,
        (replace(item, time=item.time + number * _SHIFT) for number in range(times) for item in changes),
    )


def _run(command: str, document: MachineDocument, log: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-P", "-m", "stillgate", command, str(document.path), str(log), "--format", "json"],
        capture_output=True, check=False, text=True,
    )  # fmt: skip
    if done.returncode not in (0, 1, 4):  # 4: shifts put one behind another may differ and nobody can tell
        raise RuntimeError(done.stderr)
    json.loads(done.stdout)
