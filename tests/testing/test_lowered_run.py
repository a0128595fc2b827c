"""The fast run is the simulation, scan for scan: two interpreters of one machine held together."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from plants_strategy import closed_machines
from stillgate.controller.errors import UsageError
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine
from stillgate.interlocks.simulated_runs.requirement_watch import RequirementWatch
from stillgate.sim_io.faults.fault_list import faults_of
from stillgate.sim_io.simulation.simulation import Simulation, disturbance_of
from stillgate.testing.fast_simulation import LoweredMachine, LoweredRun
from stillgate.testing.strategies import switch_disturbances

MACHINES = Path(__file__).parents[2] / "machines"


def in_lockstep(machine: Machine, seed: int, scans: int) -> LoweredRun:
    """Random inputs, a fault and a power failure, on both; the run at its end."""
    chance = random.Random(seed)
    switches = chance.sample(switch_disturbances(machine), 2)
    reference = Simulation(machine, seed=seed, disturbances=switches)
    watch = RequirementWatch(reference)
    run = LoweredMachine(machine).run(seed, switches)
    faults = [disturbance_of(fault) for fault in faults_of(machine) if fault.subject]
    for number in range(scans):
        for name in reference.free_inputs:
            if chance.random() < 0.05:
                on = chance.random() < 0.5
                reference.set_input(name, on)
                run.set_input(name, on)
        if number == scans // 3 and faults:
            fault = chance.choice(faults)
            reference.inject(fault)
            run.inject(fault)
        if number in (scans // 2, scans // 2 + 7):
            reference.power(on=number != scans // 2)
            run.power(on=number != scans // 2)
        frame = reference.step()
        run.step()
        assert dict(frame.states) == dict(run.states)
        assert dict(frame.outputs) == dict(run.outputs)
        assert dict(frame.circuits) == dict(run.circuits)
        assert dict(frame.memory) == dict(run.memory)
        assert [(item.time, item.requirement) for item in watch.broken] == run.broken
    return run


@pytest.mark.parametrize("name", ["lavender_harvester", "broken/saw_start_by_level", "press_two_hand"])
def test_shipped_machines_run_alike(name: str) -> None:
    machine = read_machine(MACHINES / f"{name}.yaml").machine
    runs = [in_lockstep(machine, seed, 250) for seed in range(2)]
    assert any(run.covered for run in runs)


def test_only_inputs_that_somebody_can_move_are_set() -> None:
    run = LoweredMachine(read_machine(MACHINES / "press_two_hand.yaml").machine).run()
    with pytest.raises(UsageError, match=r"lever is no input and cannot be set; set one of left_pressed, "):
        run.set_input("lever", True)
    with pytest.raises(UsageError, match="ram_up is moved by a part and cannot be set"):
        run.set_input("ram_up", True)


def test_breaks_are_seen_alike() -> None:
    """So that the assertion on breaks above is not one on empty lists."""
    machine = read_machine(MACHINES / "broken" / "press_plain_and.yaml").machine
    assert any(in_lockstep(machine, seed, 400).broken for seed in range(8))


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(machine=closed_machines(parts=2), seed=st.integers(0, 99))
def test_random_machines_run_alike(machine: Machine, seed: int) -> None:
    in_lockstep(machine, seed, 60)
