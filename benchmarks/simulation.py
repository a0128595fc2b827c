"""Scans a second of the closed loop in C, one core, at the real scan, nothing judged or disturbed."""

from __future__ import annotations

import statistics

from stillgate.controller.machine_file.machine import Machine
from stillgate.sim_io.simulation.batch import BatchSimulation

from .figures import Figure, at_least, timed

_SHIFT = 100_000
_SHIFTS = 100
_SCANS = _SHIFT * _SHIFTS
_ROUNDS = 5


def measure(machine: Machine) -> tuple[list[Figure], list[str]]:
    """Figures of one machine: by the wall, and by the processor time that this thread got."""
    batch = BatchSimulation(machine)
    batch.prepare()
    times = [
        timed(lambda seed=seed: batch.shifts(0, _SHIFTS, seed=seed, scans=_SHIFT))  # type: ignore[misc]
        for seed in range(_ROUNDS)
    ]
    wall = statistics.median(item.wall for item in times)
    processor = statistics.median(item.processor for item in times)
    taken = sum(batch.shifts(0, _SHIFTS, seed=1, scans=_SHIFT).taken)
    return [
        at_least("simulation in batches, one core", _SCANS / wall / 1e6, 10, "million scans/s"),
        Figure("the same by processor time", f"{_SCANS / processor / 1e6:.3g} million scans/s"),
        Figure("exits taken in 1000 scans", f"{taken / _SCANS * 1000:.3g}"),
    ], [f"{machine.machine} at its scan of {machine.scan} ms; median of {_ROUNDS} runs of {_SCANS:,} scans"]
