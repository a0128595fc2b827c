"""Parts do what the reference page says of every key, tick by tick and from power-on.

The oracle of the parts was written from the page; it and the lowered parts are led by the same
outputs, and after every tick both must say the same of where the parts may be, given where they
were seen before. So neither allows a run that the other does not.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from closed_gate import quick
from parts_oracle import Outputs, PartsOracle
from parts_oracle import Plant as Standings
from plants_strategy import part_machine_dicts
from python_search import leaves, search
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.evaluate import BlockCompiler, Layout
from stillgate.controller.program.program import TRUE, Cell
from stillgate.interlocks.loop.closed_loop import close_loop
from stillgate.interlocks.loop.interpreter import Chooser
from stillgate.sim_io.parts.plant import lower_plant

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
        self.move = BlockCompiler(self.layout, period, self).block((*plant.conditions, *plant.moves))

    def choose(self, cell: Cell, count: int) -> int:
        return self.answer(cell.name, count)

    def read(self, *_: Any) -> int:
        raise AssertionError("parts read no inputs")

    note = read

    def begin(self, stuck_on: Outputs) -> set[Values]:
        told = self.plant.power_on(dict.fromkeys(stuck_on, TRUE))
        decide = tuple(item for part in self.plant.parts for item in part.decide)
        code = BlockCompiler(self.layout, self.period, self).block((*self.plant.places, *told, *decide))
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


@quick(75)
@given(machine=part_machine_dicts(), seed=st.integers(0, 10**6))
def test_random_parts_have_exactly_the_runs_that_the_page_allows(machine: dict[str, Any], seed: int) -> None:
    for number in range(4):
        same_runs(_never_back(machine), seed + number)


@pytest.mark.night
@quick(10_000)
@given(machine=part_machine_dicts(), seed=st.integers(0, 10**6))
def test_many_random_parts_have_exactly_the_runs_that_the_page_allows(
    machine: dict[str, Any], seed: int
) -> None:
    for number in range(4):
        same_runs(_never_back(machine), seed + number)


# -- what the page rounds outward, against parts that move steadily --------------------------------


def followed(
    machine: dict[str, Any], seen: Callable[[], str], move: Callable[[Outputs], None], seed: int
) -> None:
    """Leads a part with real speeds and the lowered one by the same outputs: it is never lost."""
    chance = random.Random(seed)
    lowered = LoweredParts(Machine.model_validate(machine), 10)
    values = lowered.begin(frozenset())
    on: Outputs = frozenset()
    for _ in range(40):
        values = {item for item in values if lowered.seen(item) == (seen(),)}
        assert values, "a run of the real part that the model does not have"
        if chance.random() < 0.3:
            on = chance.choice((frozenset(), frozenset({"motor"}), frozenset({"valve"})))
        move(on)
        values = {to for item in values for to in lowered.step(item, on)}


def _alone(part: dict[str, Any]) -> dict[str, Any]:
    return {
        "machine": "alone", "scan": "10 ms", "outputs": {"motor": {}, "valve": {}}, "parts": {"it": part},
        "sequences": {"idle": {"start": "idle_state", "states": {"idle_state": {}}}},
    }  # fmt: skip


@pytest.mark.parametrize("seed", range(200))
def test_a_spin_that_keeps_its_speed_is_among_the_runs_of_the_model(seed: int) -> None:
    """The model keeps no speed between standstill and full speed and so allows more, never less."""
    chance = random.Random(seed)
    up, down = ((a, a + chance.randint(0, 5)) for a in (chance.randint(1, 6), chance.randint(1, 6)))
    speed, phase = Fraction(0), "still"

    def move(on: Outputs) -> None:
        nonlocal speed, phase
        a, b = up if "motor" in on else down
        share = Fraction(1, chance.randint(a, b))
        if "motor" in on:
            speed = min(Fraction(1), speed + share)
            phase = "at speed" if speed == 1 else "running up"
        else:
            speed = max(Fraction(0), speed - share)
            phase = "running down" if speed else "still"

    part = {
        "kind": "spin", "drive": "motor", "starts": "still",
        "runs_up": f"{up[0] * 10}..{up[1] * 10} ms", "runs_down": f"{down[0] * 10}..{down[1] * 10} ms",
    }  # fmt: skip
    followed(_alone(part), lambda: phase, move, seed)


@pytest.mark.parametrize("seed", range(200))
def test_a_travel_that_moves_steadily_and_turns_anywhere_is_among_the_runs_of_the_model(seed: int) -> None:
    chance = random.Random(seed)
    there, back = ((a, a + chance.randint(0, 5)) for a in (chance.randint(1, 6), chance.randint(1, 6)))
    place, heading = Fraction(0), "shut and open"

    def seen() -> str:
        return {0: "at shut", 1: "at open"}.get(place, f"between {heading}")  # type: ignore[call-overload]

    def move(on: Outputs) -> None:
        nonlocal place, heading
        if "motor" in on:
            place = min(Fraction(1), place + Fraction(1, chance.randint(*there)))
            heading = "shut and open"
        elif "valve" in on:
            place = max(Fraction(0), place - Fraction(1, chance.randint(*back)))
            heading = "open and shut"

    part = {
        "kind": "travel", "stops": ["shut", "open"], "forward": "motor", "back": "valve", "starts": "shut",
        "takes": f"{there[0] * 10}..{there[1] * 10} ms", "takes_back": f"{back[0] * 10}..{back[1] * 10} ms",
    }  # fmt: skip
    followed(_alone(part), seen, move, seed)


# -- power-on --------------------------------------------------------------------------------------


def _pumped(**part: Any) -> Machine:
    """A tank that is pumped empty in a second; its controller pumps from its first scan on."""
    return Machine.model_validate({
        "machine": "pumped", "scan": "100 ms", "outputs": {"pump": {}},
        "parts": {"water": {"kind": "automaton", "starts": "full", "states": {
            "full": {"exits": [{"to": "empty", "when": "pump", "takes": "1 s"}]}, "empty": {},
        }} | part},
        "sequences": {"main": {"start": "on", "states": {"on": {"on": ["pump"]}}}},
        "requirements": {"pumped_first": {"before": "water.at_empty", "first": "held(pump, 500 ms)"}},
    })  # fmt: skip


def _breaks(machine: Machine, faults: int) -> set[str]:
    return set(search(close_loop(machine, tick=100, faults=faults)).broken)


def test_a_condition_on_outputs_was_false_before_the_first_scan() -> None:
    """Outputs are off at power-on, so pumping that the first scan asks for counts from 0."""
    assert _breaks(_pumped(), faults=0) == set()


def test_an_output_that_is_stuck_on_may_have_been_so_long_before_power_on() -> None:
    """Though it changes nothing in any scan here, for the pump is asked for in each."""
    assert _breaks(_pumped(), faults=1) == {"pumped_first"}
    assert _breaks(_pumped(just_entered=True), faults=1) == set()


def test_what_has_just_been_entered_begins_its_times_at_power_on() -> None:
    opening = {"opening": {"exits": [{"to": "empty", "takes": "1 s"}]}, "empty": {}}
    known = _pumped(states=opening, starts="opening", just_entered=True)
    assert _breaks(known, faults=0) == set()
    assert _breaks(_pumped(states=opening, starts="opening"), faults=0) == {"pumped_first"}
