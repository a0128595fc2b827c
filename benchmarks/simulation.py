"""Scans a second of the closed loop in C, one core, at the real scan."""

from __future__ import annotations

import statistics

from stillgate.controller.machine import Machine
from stillgate.sim_io.batch import BatchSimulation

from .figures import Figure, at_least, timed

_SCANS = 10_000_000
_ROUNDS = 5


def measure(machine: Machine) -> tuple[list[Figure], list[str]]:
    """Figures of one machine: by the wall, and by the processor time that this thread got."""
    batch = BatchSimulation(machine)
    batch.run(1000)
    times = [timed(lambda seed=seed: batch.run(_SCANS, seed=seed)) for seed in range(_ROUNDS)]  # type: ignore[misc]
    wall = statistics.median(item.wall for item in times)
    processor = statistics.median(item.processor for item in times)
    taken = sum(count for _, count in batch.run(_SCANS, seed=1).exits_taken)
    return [
        at_least("simulation in batches, one core", _SCANS / wall / 1e6, 10, "million scans/s"),
        Figure("the same by processor time", f"{_SCANS / processor / 1e6:.3g} million scans/s"),
        Figure("exits taken in 1000 scans", f"{taken / _SCANS * 1000:.3g}"),
    ], [f"{machine.machine} at its scan of {machine.scan} ms; median of {_ROUNDS} runs of {_SCANS:,} scans"]
