"""Parts do what the reference page says of every key, tick by tick and from power-on.

The oracle of the parts was written from the page; it and the lowered parts are led by the same
outputs, and after every tick both must say the same of where the parts may be, given where they
were seen before. So neither allows a run that the other does not.
"""

from __future__ import annotations

import random
from typing import Any

import pytest
from closed_gate import quick
from hypothesis import given
from hypothesis import strategies as st
from parts_oracle import Outputs, PartsOracle
from parts_oracle import Plant as Standings
from plants_strategy import closed_machine_dicts
from python_search import leaves
from stillgate.controller.evaluate import Compiler, Layout
from stillgate.controller.machine import Machine
from stillgate.controller.program import TRUE, Cell
from stillgate.interlocks.loop_runner import Chooser
from stillgate.sim_io.plant import lower_plant

Seen = tuple[str, ...]
Values = tuple[int, ...]


class LoweredParts:
    """Everything that the lowered parts of a machine may be."""

    def __init__(self, machine: Machine, period: int) -> None:
        self.plant = plant = lower_plant(machine, period)
        self.cells = plant.cells
        self.layout = Layout((*self.cells, *plant.driven.values()))
        self.answer: Chooser = lambda name, count: 0
        self.period = period
        self.move = Compiler(self.layout, period, self).block((*plant.conditions, *plant.moves))

    def choose(self, cell: Cell, count: int) -> int:
        return self.answer(cell.name, count)

    def read(self, *_: Any) -> int:
        raise AssertionError("parts read no inputs")

    note = read

    def begin(self, stuck_on: Outputs, places: bool = False) -> set[Values]:
        told = self.plant.power_on(dict.fromkeys(stuck_on, TRUE))
        decide = tuple(item for part in self.plant.parts for item in part.decide)
        code = Compiler(self.layout, self.period, self).block((*self.plant.places, *told, *decide))
        return self._every(code, self.layout.start_values())

    def step(self, values: Values, on: Outputs) -> set[Values]:
        all_values = self.layout.start_values()
        for cell, value in zip(self.cells, values, strict=True):
            all_values[self.layout.slot(cell)] = value
        for name, cell in self.plant.driven.items():
            all_values[self.layout.slot(cell)] = int(name in on)
        return self._every(self.move, all_values)

    def _every(self, code: Any, before: list[int]) -> set[Values]:
        def run(chooser: Chooser) -> Values:
            self.answer = chooser
            values = list(before)
            code(values)
            return tuple(values[self.layout.slot(cell)] for cell in self.cells)

        return set(leaves(run))

    def seen(self, values: Values) -> Seen:
        by_cell = dict(zip(self.cells, values, strict=True))
        return tuple(part.describe(by_cell) for part in self.plant.parts)


def seen_of(machine: Machine, standings: Standings) -> Seen:
    """The oracle's words for where parts stand, in those of the lowered ones."""
    words = []
    for part, at in zip(machine.parts.values(), standings, strict=True):
        match part.kind:
            case "flow":
                words.append("an item at the place" if at.place == "item" else "no item at the place")
            case "travel":
                start, _, end = at.place.partition(">")
                words.append(f"between {start} and {end}" if end else f"at {start}")
            case _:
                words.append(at.place)
    return tuple(words)


def same_runs(machine: Machine, seed: int, ticks: int = 14) -> None:
    """Along random outputs and a random run, both always allow the very same next places."""
    chance = random.Random(seed)
    lowered, oracle = LoweredParts(machine, machine.scan), PartsOracle(machine, machine.scan)
    names = sorted(machine.outputs)
    stuck_on = frozenset(name for name in names if chance.random() < 0.2)
    ours, theirs = lowered.begin(stuck_on), oracle.begin(stuck_on)
    on = frozenset(name for name in names if chance.random() < 0.5)
    for tick in range(ticks):
        own = {lowered.seen(item) for item in ours}
        others = {seen_of(machine, item) for item in theirs}
        assert own == others, f"after {tick} ticks"
        there = chance.choice(sorted(own))
        ours = {item for item in ours if lowered.seen(item) == there}
        theirs = {item for item in theirs if seen_of(machine, item) == there}
        if chance.random() < 0.4:
            on = frozenset(name for name in names if chance.random() < 0.5)
        ours = {to for item in ours for to in lowered.step(item, on | stuck_on)}
        theirs = {to for item in theirs for to in oracle.step(item, on | stuck_on)}


def _never_back(machine: dict[str, Any]) -> Machine:
    for part in machine["parts"].values():
        if part["kind"] == "travel":
            part["back"] = "false"
    return Machine.model_validate(machine)


@quick(60)
@given(machine=closed_machine_dicts(parts=2), seed=st.integers(0, 10**6))
def test_random_parts_have_exactly_the_runs_that_the_page_allows(machine: dict[str, Any], seed: int) -> None:
    for number in range(4):
        same_runs(_never_back(machine), seed + number)


@pytest.mark.night
@quick(10_000)
@given(machine=closed_machine_dicts(parts=2), seed=st.integers(0, 10**6))
def test_many_random_parts_have_exactly_the_runs_that_the_page_allows(
    machine: dict[str, Any], seed: int
) -> None:
    for number in range(4):
        same_runs(_never_back(machine), seed + number)
