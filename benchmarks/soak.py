"""Machine-hours a second of a soak: parts, operators in turn, switch bounce and every monitor on.

The target is for two processors to themselves. On a busy computer the processor time that the
threads got tells what they would do with it alone; both figures are printed.
"""

from __future__ import annotations

import os
import statistics

from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import MachineDocument
from stillgate.interlocks.simulated_runs.requirement_watch import watched
from stillgate.interlocks.simulated_runs.soak_monitors import judged_batch
from stillgate.interlocks.simulated_runs.soak_run import SoakResult, soak
from stillgate.sim_io.faults.disturbances import Disturbance, contacts_bounce

from .figures import Figure, at_least, timed

_HOURS = 400
_ROUNDS = 3
_PROCESSORS = 2
_SHIFT = 30_000
_SHIFTS = 400


def measure(document: MachineDocument) -> tuple[list[Figure], list[str]]:
    """Figures of one machine: the whole soak, and one thread with every contact bouncing."""
    machine = document.machine
    moved = contacts_bounce(machine, free=False)
    results: list[SoakResult] = []

    def run() -> None:
        result = soak(document, duration=_HOURS * 3_600_000, seed=len(results), disturbances=moved)
        results.append(result)

    run()  # builds
    times = [timed(run) for _ in range(_ROUNDS)]
    done = results[1:]
    wall = statistics.median(item.rate for item in done)
    hours = statistics.median(item.simulated for item in done) / 3.6e6
    processor = statistics.median(item.processor for item in times)
    share = _PROCESSORS * hours / processor
    every = _every_contact(machine)
    return [
        Figure("soak, as the clock on the wall has it", f"{wall:.3g} machine-hours/s"),
        at_least("soak, by processor time on two processors", share, 60, "machine-hours/s"),
        Figure("the same, every contact bouncing", f"{_PROCESSORS * every:.3g} machine-hours/s"),
        Figure("scans a second on two processors", f"{share * 3.6 / machine.scan:.3g} million"),
    ], [
        f"{machine.machine} at its scan of {machine.scan} ms; {hours:.0f} h a run, median of {_ROUNDS}; "
        f"{len(watched(machine))} requirements monitored, {len(moved)} contacts bouncing",
        f"{os.cpu_count()} processors; violations met: {sum(item.violation is not None for item in done)}",
    ]


def _every_contact(machine: Machine) -> float:
    """Machine-hours a second of processor time with every contact bouncing, whatever that breaks.

    A shift ends at its first break; the rate counts the scans that were run.
    """
    bouncing: tuple[Disturbance, ...] = contacts_bounce(machine)
    batch = judged_batch(machine, bouncing)
    batch.prepare()
    scans = 0

    def run() -> None:
        nonlocal scans
        first = 0
        while first < _SHIFTS:
            part = batch.shifts(first, _SHIFTS - first, seed=1, scans=_SHIFT)
            scans += part.scans
            first = _SHIFTS if part.broken_shift is None else part.broken_shift + 1

    spent = timed(run).processor
    return scans * machine.scan / 3.6e6 / spent
