"""The C that soaks does what the Python simulation does, scan by scan, monitors included.

Compared in every scan: circuits, active states, outputs as driven, memory, parts, everything
the switches remember, and which requirements are broken.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from closed_gate import quick
from plants_strategy import closed_machines
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.interlocks.simulated_runs.requirement_watch import RequirementWatch
from stillgate.interlocks.simulated_runs.soak_monitors import judged_batch
from stillgate.sim_io.faults.disturbances import Disturbance, contradict, disturbances_of, parse_disturbance
from stillgate.sim_io.simulation.batch import BatchSimulation, Setting, shift_seed
from stillgate.sim_io.simulation.operators import OperatorKind
from stillgate.sim_io.simulation.simulation import Simulation

MACHINES = Path(__file__).parents[2] / "machines"
PATTERNS = ("never", "always", "response", "invariance", "precedence")


def assert_lockstep(
    batch: BatchSimulation,
    *,
    scans: int,
    seed: int,
    operator: OperatorKind | None = None,
    settings: Sequence[Setting] = (),
) -> int:
    """Runs both; how many breaks there were."""
    source = batch.source
    trace = batch.trace(scans, seed=seed, operator=operator, settings=settings).trace
    simulation = Simulation(
        source.machine,
        seed=seed,
        disturbances=source.disturbances if operator else (),
        operator=operator,
    )
    for item in source.disturbances:  # known from the start, so that its cells are there to compare
        if not operator:
            simulation.inject(item)
            simulation.clear(item)
    watch = RequirementWatch(simulation)
    names, width = source.judging.names, len(source.traced)
    at = 0
    breaks = 0

    def look(now: Simulation) -> None:
        nonlocal breaks
        row = trace[at]
        for cell, value in zip(source.traced, row, strict=False):
            assert now.value(cell) == value, f"{cell.name} in scan {at}"
        broken = {name for name, on in zip(names, row[width:], strict=True) if on}
        assert watch.broken_now == broken, f"scan {at}"
        breaks += len(broken)

    simulation.watchers.append(look)
    waiting = list(settings)
    free = {cell: cell.name.removesuffix(".circuit") for cell in source.free_circuits}
    present = {cell: item for item, cell in source.present.items()}
    for at in range(scans):
        while waiting and waiting[0].scan <= at:
            item = waiting.pop(0)
            if item.cell in free:
                simulation.set_input(free[item.cell], bool(item.value))
            elif item.cell in present and item.value:
                simulation.inject(present[item.cell])
            elif item.cell in present:
                simulation.clear(present[item.cell])
            else:
                simulation.power(on=not item.value)
        simulation.step()
    return breaks


def compatible(machine: Machine, chosen: Sequence[Disturbance]) -> list[Disturbance]:
    """Those of some disturbances that can be there together."""
    found: list[Disturbance] = []
    for item in chosen:
        if not any(contradict(item, other) for other in found):
            found.append(item)
    return found


@pytest.mark.parametrize("operator", OperatorKind)
def test_the_harvester_soaks_as_it_is_simulated(operator: OperatorKind) -> None:
    machine = read_machine(MACHINES / "lavender_harvester.yaml").machine
    lines = (
        *(f"{name} bounces 50 ms" for name in machine.inputs),
        "bunch_hung intermittent 500 ms", "row_left swapped with row_right",
        "arms_raise slow 100 ms", "index_is_in picks up 40 ms late", "cutter_on drops out 60 ms late",
        "power dip 60 ms every 2 s", "scan overrun 60 ms every 1 s",
    )  # fmt: skip
    batch = judged_batch(machine, [parse_disturbance(line, machine) for line in lines])
    assert_lockstep(batch, scans=800, seed=shift_seed(1, len(operator.value)), operator=operator)


def test_requirements_break_in_both_in_the_same_scans() -> None:
    """Not vacuous: a driver who only sits down starts this one by accident."""
    machine = read_machine(MACHINES / "broken" / "harvester_starts_on_power.yaml").machine
    batch = judged_batch(machine, [])
    assert assert_lockstep(batch, scans=400, seed=shift_seed(1, 3), operator=OperatorKind.SENSIBLE) > 0


def test_a_counter_leaves_its_bounds_once_and_not_again_in_an_overrun() -> None:
    machine = read_machine_text(
        """\
machine: count
scan: 20 ms
inputs: {go: {from: operator}}
outputs: {x: {}}
memory: {n: {range: 0..1, start: 0}}
sequences: {s: {start: a, states: {a: {on: [x], exits: [{when: go, to: a, do: {n: n + 1}}]}}}}
"""
    ).machine
    batch = judged_batch(machine, [parse_disturbance("scan overrun 60 ms", machine)])
    go, overrun = batch.source.targets[0], next(iter(batch.source.present.values()))
    settings = [Setting(2, go, 1), Setting(4, overrun, 1), Setting(8, go, 0)]
    assert assert_lockstep(batch, scans=12, seed=0, settings=settings) == 3


@quick(4)
@given(data=st.data(), machine=closed_machines(patterns=PATTERNS, parts=2))
def test_random_machines_soak_as_they_are_simulated(data: st.DataObject, machine: Machine) -> None:
    every = st.sampled_from(disturbances_of(machine))
    chosen = compatible(machine, data.draw(st.lists(every, max_size=8, unique=True)))
    batch = judged_batch(machine, chosen)
    operator = data.draw(st.sampled_from(OperatorKind))
    assert_lockstep(batch, scans=120, seed=data.draw(st.integers(0, 2**40)), operator=operator)


@quick(4)
@given(data=st.data(), machine=closed_machines(patterns=PATTERNS, parts=2))
def test_random_machines_play_events_as_they_are_simulated(data: st.DataObject, machine: Machine) -> None:
    every = st.sampled_from(disturbances_of(machine))
    chosen = compatible(machine, data.draw(st.lists(every, min_size=1, max_size=6, unique=True)))
    batch = judged_batch(machine, chosen)
    targets = st.sampled_from(batch.source.targets)
    settings = data.draw(
        st.lists(st.builds(Setting, st.integers(0, 80), targets, st.integers(0, 1)), max_size=40)
    )
    settings.sort(key=lambda item: item.scan)
    assert_lockstep(batch, scans=100, seed=data.draw(st.integers(0, 2**40)), settings=settings)
