"""A run of changes as a scenario that a person can read: presses and holds instead of single levels."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.program import Cell
from stillgate.sim_io.faults.disturbances import Disturbance
from stillgate.sim_io.scenarios.scenario import Scenario
from stillgate.sim_io.simulation.operators import rest_level

from .delta_debugging import ShorterRun

Held = tuple[Milliseconds, Milliseconds | None]
"""When an input is actuated, and for how long; None without end."""


def scenario_of(
    machine: Machine,
    run: ShorterRun,
    circuits: Mapping[str, Cell],
    present: Mapping[Disturbance, Cell],
    *,
    requirement: str,
    machine_path: str = "",
) -> Scenario:
    """The scenario that does the same.

    Args:
        machine: the machine.
        run: changes of free circuits, and disturbances that begin.
        circuits: the cell of every input's circuit.
        present: the cell of every disturbance.
        requirement: what it breaks.
        machine_path: how the scenario names the machine file.
    """
    there = {cell: item for item, cell in present.items()}
    inputs = {cell: name for name, cell in circuits.items()}
    scan = machine.scan
    held: dict[Held, list[str]] = {}
    for _, cell, _ in run.changes:
        if cell in there:
            continue
        name = inputs[cell]
        for entry in _held(machine, run, name, cell):
            if name not in held.setdefault(entry, []):
                held[entry].append(name)
    steps: list[tuple[Milliseconds, dict[str, object]]] = [
        (begin * scan, {"inject": there[cell].name})
        for begin, cell, value in run.changes
        if cell in there and value and begin
    ]
    for (begin, during), names in held.items():
        lasting: dict[str, object] = (
            {"hold": names} if during is None else {"press": names, "for": format_duration(during)}
        )
        steps.append((begin, lasting))
    steps.sort(key=lambda item: item[0])
    return Scenario.model_validate(
        {
            "scenario": "broken_requirement",
            "title": f"{requirement} is broken at {format_duration(run.broken_at * scan)}",
            "machine": machine_path or f"{machine.machine}.yaml",
            "seed": run.seed,
            "disturb": [
                there[cell].name
                for begin, cell, value in run.changes
                if cell in there and value and not begin
            ],
            "lasts": format_duration((run.broken_at + 5) * scan),
            "steps": [{"at": format_duration(time), **what} for time, what in steps],
            "note": "found by a soak and cut down; it fails as long as the requirement can be broken so",
        }
    )


def _held(machine: Machine, run: ShorterRun, name: str, cell: Cell) -> Iterator[Held]:
    """When an input is away from rest."""
    rest = int(rest_level(machine, name))
    begun: int | None = None
    for scan, changed, value in run.changes:
        if changed != cell:
            continue
        if value != rest and begun is None:
            begun = scan
        elif value == rest and begun is not None:
            if scan > begun:
                yield begun * machine.scan, (scan - begun) * machine.scan
            begun = None
    if begun is not None:
        yield begun * machine.scan, None
