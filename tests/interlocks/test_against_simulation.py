"""Simulated machines are never where the search was not."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from closed_gate import gate, quick
from engine import search_c
from plants_strategy import closed_machines
from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop
from stillgate.sim_io.simulation.simulation import Simulation

Seen = tuple[tuple[str | None, ...], tuple[str, ...]]


def explored(loop: ClosedLoop) -> set[Seen]:
    """States of the sequences and where each part stands, in every explored state."""
    slots = {cell: i for i, cell in enumerate(loop.key_cells)}
    found: set[Seen] = set()
    for key in search_c(loop).depths:
        states = tuple(item.states[key[slots[item.active]]] for item in loop.controller.sequences)
        parts = tuple(
            part.describe({cell: key[slots[cell]] if cell in slots else cell.low for cell in part.cells})
            for part in loop.plant.parts
        )
        found.add((states, parts))
    return found


def simulation_stays_inside(machine: Machine, seed: int) -> None:
    """A simulated machine with random buttons is never where the search was not."""
    loop = close_loop(machine, tick=machine.scan, faults=0)
    allowed = explored(loop)
    chance = random.Random(seed)
    for run in range(5):
        simulation = Simulation(machine, seed=seed + run)
        states: tuple[str | None, ...] = tuple(item.start for item in machine.sequences.values())
        for _ in range(40):
            for name in simulation.free_inputs:
                if chance.random() < 0.4:
                    simulation.set_input(name, chance.random() < 0.5)
            frame = simulation.step()
            assert (states, tuple(frame.parts.values())) in allowed
            states = tuple(frame.states.values())


def test_a_simulated_gate_is_never_where_the_search_was_not() -> None:
    simulation_stays_inside(gate(0).machine, seed=1)


@quick(5)
@given(machine=closed_machines(parts=2), seed=st.integers(0, 99))
def test_simulated_random_machines_are_never_where_the_search_was_not(machine: Machine, seed: int) -> None:
    simulation_stays_inside(machine, seed)
