"""Executive, C, simulation and z3 agree with the second interpreter on machines drawn by number."""

from __future__ import annotations

from random import Random

import pytest

from agreement import proved
from backends import HAS_COMPILER, ExecutiveBackend, NativeBackend
from stillgate.controller.machine_file.machine import Level, Machine
from stillgate.sim_io.simulation.simulation import Simulation
from whole_oracle.comparing import small_machine
from whole_oracle.drawing import draw_machine
from whole_oracle.faults import POWER
from whole_oracle.following import Follower
from whole_oracle.scanning import Controlled, Controller

RUN = 60
"""Scans of a run."""


def levels(machine: Machine, chance: Random) -> list[tuple[int, ...]]:
    """Circuits of a run; they stay for a while more often than not, so that delays and holds run out."""
    found: list[tuple[int, ...]] = []
    while len(found) < RUN:
        circuits = tuple(chance.randrange(2) for _ in machine.inputs)
        found += [circuits] * chance.choice((1, 1, 2, 3, 6))
    return found


def in_lockstep(backend: ExecutiveBackend | NativeBackend, machine: Machine, seed: int) -> int:
    """Asserts that a controller does what the oracle's does, power failing at times; how often it moved."""
    chance = Random(seed)
    controller = Controller(machine, machine.scan)
    before: Controlled | None = controller.cold()
    low = [item.active is Level.LOW for item in machine.inputs.values()]
    moved = 0
    for circuits in levels(machine, chance):
        if chance.randrange(20) == 0:
            if before is None:
                before = controller.cold()
                backend.power_on()
            else:
                before = None
                backend.power_off()
        pins = {
            name: bool(on) ^ inverted
            for name, on, inverted in zip(machine.inputs, circuits, low, strict=True)
        }
        backend.scan(pins)
        if before is None:
            continue
        scanned = controller.scan(before, circuits)
        moved += len(scanned.taken)
        before = scanned.after
        assert tuple(backend.states().values()) == before.active
        assert tuple(map(int, backend.outputs().values())) == before.written
        assert tuple(backend.memory().values()) == before.memory
        left = backend.left_bounds()
        assert left is None or left == sorted(scanned.left_range)
    return moved


def test_the_executive_scans_as_the_oracle_does() -> None:
    moved = 0
    for seed in range(300):
        machine = Machine.model_validate(draw_machine(seed))
        moved += in_lockstep(ExecutiveBackend(machine), machine, seed)
    assert moved > 300 * RUN / 10


@pytest.mark.skipif(not HAS_COMPILER, reason="no C compiler and no ziglang")
def test_the_c_controller_scans_as_the_oracle_does() -> None:
    for seed in range(30):
        machine = Machine.model_validate(draw_machine(seed))
        in_lockstep(NativeBackend(machine), machine, seed)


@pytest.mark.parametrize("chunk", range(4))
def test_a_simulated_run_is_one_of_the_oracles_runs(chunk: int) -> None:
    """With power that fails and comes back; what the oracle leaves open the simulation draws."""
    for seed in range(chunk * 25, chunk * 25 + 25):
        _, machine, _ = small_machine(seed)
        chance = Random(seed)
        for run in range(2):
            fails = POWER if run else None
            simulation = Simulation(machine, seed=seed + run)
            follower = Follower(machine, [fails] if fails else [])
            off_at, on_at = (chance.randrange(10), chance.randrange(11, 20)) if fails else (None, None)
            for tick in range(30):
                for name in simulation.free_inputs:
                    if chance.random() < 0.4:
                        simulation.set_input(name, chance.random() < 0.5)
                if tick in (off_at, on_at):
                    simulation.power(on=tick == on_at)
                follower.follow(simulation.step())
                assert follower.situations, f"seed {seed}, run {run}: no run of the oracle shows tick {tick}"


@pytest.mark.parametrize("seed", range(12))
def test_z3_says_what_the_oracle_says(seed: int) -> None:
    pytest.importorskip("z3")
    _, machine, judgement = small_machine(seed)
    if judgement.left_range:
        pytest.skip("a counter leaves its range, which z3 is not asked about here")
    faults = machine.check.faults
    found = proved(machine, tick=machine.check.tick or machine.scan, faults=faults)
    for name, breaks in found.items():
        answer = judgement.answers.get((name, faults))
        if answer is not None:
            assert breaks == (not answer.holds), f"seed {seed}: {name}"
