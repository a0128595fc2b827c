"""The closed loop means the same, however it is made smaller, and its stories are true.

Three searches that share little are held against each other: a dictionary search in plain
Python, the C engine, and the executive fed with a story's circuits.
"""

from __future__ import annotations

import random

import pytest
from engine import quick_build, search_c, searching
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from plants_strategy import closed_machines
from python_search import leaves, search
from stillgate.controller.executive import Executive
from stillgate.controller.machine import Machine
from stillgate.controller.program import Cell
from stillgate.controller.reader import read_machine_text
from stillgate.interlocks.closed_loop import ClosedLoop, close_loop
from stillgate.interlocks.explorer import Explorer, Limits
from stillgate.interlocks.loop_runner import Chooser, LoopRunner
from stillgate.interlocks.packing import pack, packed_fields, unpack
from stillgate.interlocks.story import Replay, tell
from stillgate.sim_io.faults import FaultKind
from stillgate.sim_io.simulation import Simulation

GATE = """
machine: yard_gate
scan: 20 ms
inputs:
  open_button: {from: operator}
  stop_ok:     {from: operator, contact: normally_closed}
  edge_clear:  {contact: normally_closed, debounce: 40 ms}
  gate_open:   {}
  gate_shut:   {}
outputs: {motor_open: {}, motor_shut: {}}
parts:
  leaf: {kind: travel, stops: [shut, open], forward: motor_open, back: motor_shut, takes: 0.1..0.2 s,
         senses: {gate_shut: at shut, gate_open: at open}}
sequences:
  gate:
    start: resting
    overrides: [{when: not stop_ok, to: resting}]
    states:
      resting: {exits: [{when: rising(open_button), to: opening}]}
      opening: {on: [motor_open], exits: [{when: gate_open, to: waiting}, {after: 0.3 s, to: resting}]}
      waiting: {exits: [{after: 0.1 s, to: shutting}]}
      shutting:
        on: [motor_shut]
        exits: [{when: gate_shut, to: resting}, {when: not edge_clear, to: opening}]
interlocks: [{hold_off: motor_shut, unless: edge_clear}]
requirements:
  one_direction: {never: motor_open and motor_shut}
  edge_stops_it: {after: not edge_clear, then: not motor_shut, within: 200 ms}
  stays_open: {after: falling(open_button), keep: not motor_shut, for: 100 ms}
  asked_for: {before: motor_open, first: rising(open_button), since: gate.resting}
"""


def gate(faults: int, tick: int = 100, **how: bool) -> ClosedLoop:
    document = read_machine_text(GATE, "gate.yaml")
    return close_loop(document.machine, tick=tick, faults=faults, **how)


def quick(examples: int) -> settings:
    """Settings for tests that call a compiler several times an example."""
    return settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck))


# -- ways to make the loop smaller -----------------------------------------------------------------


@pytest.mark.parametrize("faults", [0, 1])
def test_asking_inputs_on_demand_reaches_exactly_the_eager_states_and_breaks(faults: int) -> None:
    """With one memory value per belief the states are the eager ones, as many and as deep.

    With a fault the breaks only: where an input is asked on demand its fault may begin before
    it changes anything, and that is a state more.
    """
    eager = search_c(gate(faults, lazy=False))
    exact = search_c(gate(faults, exact=True))
    lazy = search_c(gate(faults))
    assert exact.broken == lazy.broken == eager.broken
    if not faults:
        assert sorted(exact.depths.values()) == sorted(eager.depths.values())
        assert exact.levels == eager.levels
    assert "edge_stops_it" in eager.broken


def test_dropping_dead_values_changes_no_verdict_and_only_makes_the_set_smaller() -> None:
    raw, canonical = search(gate(0, canonical=False)), search(gate(0))
    assert raw.broken == canonical.broken
    assert len(canonical.depths) < len(raw.depths)


def test_a_fault_budget_only_adds_breaks_and_never_delays_one() -> None:
    without, with_one = search_c(gate(0)).broken, search_c(gate(1)).broken
    assert set(without) <= set(with_one)
    assert all(with_one[name] <= depth for name, depth in without.items())
    assert set(with_one) - set(without)


def agree(machine: Machine, faults: int) -> None:
    """Every way to search a machine gives the same depths of the same breaks."""

    def loop(**how: bool) -> ClosedLoop:
        return close_loop(machine, tick=machine.scan, faults=faults, **how)

    lazy = search_c(loop(), merge=False)
    merged = search_c(loop(), merge=True, threads=2)
    eager = search_c(loop(lazy=False))
    exact = search_c(loop(exact=True))
    raw = search_c(loop(canonical=False))
    assert merged.depths == lazy.depths
    assert eager.broken == lazy.broken
    assert exact.broken == lazy.broken
    assert raw.broken == lazy.broken
    assert merged.broken == lazy.broken
    assert len(lazy.depths) <= len(raw.depths)
    cells = loop().key_cells
    controllers = {item.active for item in loop().controller.sequences}
    seen = _projected(set(lazy.depths), cells, controllers)
    for other, how in ((eager, {"lazy": False}), (raw, {"canonical": False}), (exact, {"exact": True})):
        assert _projected(set(other.depths), loop(**how).key_cells, controllers) == seen


def _projected(
    keys: set[tuple[int, ...]], cells: tuple[Cell, ...], wanted: set[Cell]
) -> set[tuple[int, ...]]:
    slots = [i for i, cell in enumerate(cells) if cell in wanted]
    return {tuple(key[i] for i in slots) for key in keys}


@quick(3)
@given(machine=closed_machines(), faults=st.sampled_from((0, 1)))
def test_every_way_to_search_agrees_on_random_machines(machine: Machine, faults: int) -> None:
    """On demand and eager, exact and in sets, canonical and raw, merged and plain, one and two threads."""
    agree(machine, faults)


@pytest.mark.night
@quick(150)
@given(machine=closed_machines(), faults=st.sampled_from((0, 1)))
def test_every_way_to_search_agrees_on_many_random_machines(machine: Machine, faults: int) -> None:
    agree(machine, faults)


# -- C against Python ----------------------------------------------------------------------------


def same_states(loop: ClosedLoop, limit: int = 200_000) -> None:
    try:
        python = search(loop, limit)
    except OverflowError:
        return
    for threads, merge in ((1, False), (2, True)):
        found = search_c(loop, threads=threads, merge=merge)
        assert found.depths == python.depths
        assert found.broken == python.broken


@pytest.mark.parametrize("how", [{}, {"lazy": False}, {"exact": True}, {"canonical": False}])
def test_the_c_engine_reaches_the_very_states_that_python_reaches(how: dict[str, bool]) -> None:
    """Every stored state, its depth, and the first depth of every break."""
    same_states(gate(0, **how))


@quick(3)
@given(machine=closed_machines(), faults=st.sampled_from((0, 1)))
def test_python_and_c_reach_the_same_states_of_random_machines(machine: Machine, faults: int) -> None:
    same_states(close_loop(machine, tick=machine.scan, faults=faults), limit=300)


@pytest.mark.night
@quick(150)
@given(machine=closed_machines(), faults=st.sampled_from((0, 1)))
def test_python_and_c_reach_the_same_states_of_many_random_machines(machine: Machine, faults: int) -> None:
    same_states(close_loop(machine, tick=machine.scan, faults=faults), limit=1500)


def same_choices(loop: ClosedLoop, most: int = 60) -> None:
    """In every state C asks what Python asks, in its order, and comes to the same states.

    C lists one way to each result, Python every way.
    """
    fields = packed_fields(loop)
    runner = LoopRunner(loop)
    with Explorer(quick_build(loop, merge=False), Limits(threads=1, bytes=1 << 30)) as explorer:
        explorer.run()
        for key, _ in sorted(explorer.states())[:most]:

            def step(chooser: Chooser, key: int = key) -> tuple[list[tuple[int, int]], set[int], int]:
                asked: list[tuple[int, int]] = []

                def choose(name: str, count: int) -> int:
                    asked.append((chooser(name, count), count))
                    return asked[-1][0]

                runner.load(unpack(fields, key))
                broken = set(runner.step(choose).broken)
                return asked, broken, pack(fields, runner.key())

            ways = {tuple(asked): (broken, to) for asked, broken, to in leaves(step)}
            steps = explorer.successors(key)
            for item in steps:
                assert ways[tuple(zip(item.picks, item.sizes, strict=True))][1] == item.to
            assert {item.to for item in steps} == {to for _, to in ways.values()}
            events = {event for item in steps for event in item.events if event < explorer.breaks}
            assert events == {index for broken, _ in ways.values() for index in broken}


@pytest.mark.parametrize("how", [{}, {"lazy": False}, {"exact": True}])
def test_c_asks_the_very_choices_that_python_asks(how: dict[str, bool]) -> None:
    same_choices(gate(1, **how), most=25)


@pytest.mark.parametrize(
    "condition",
    ["not a = (b and c)", "a xor (a or not b)", "(b and c) <> (c or a)", "not (a = b) xor held(c, 10 ms)"],
)
def test_the_order_of_choices_inside_a_comparison_is_the_written_one(condition: str) -> None:
    """C leaves the order of operands open; a compiler that takes the other one would be found here."""
    machine = Machine.model_validate({
        "machine": "m", "scan": "10 ms", "inputs": {"a": {}, "b": {}, "c": {}}, "outputs": {"lamp": {}},
        "sequences": {"s": {"start": "x", "states": {
            "x": {"on": ["lamp"], "exits": [{"when": condition, "to": "y"}]},
            "y": {"exits": [{"when": f"not ({condition})", "to": "x"}]},
        }}},
        "requirements": {"r": {"never": f"lamp and ({condition})"}},
    })  # fmt: skip
    same_choices(close_loop(machine, tick=10, faults=0))


@quick(4)
@given(machine=closed_machines(), faults=st.sampled_from((0, 1)))
def test_c_asks_the_very_choices_that_python_asks_on_random_machines(machine: Machine, faults: int) -> None:
    same_choices(close_loop(machine, tick=machine.scan, faults=faults), most=20)


@pytest.mark.night
@quick(200)
@given(machine=closed_machines(parts=2), faults=st.sampled_from((0, 1)))
def test_c_asks_the_very_choices_that_python_asks_on_many_machines(machine: Machine, faults: int) -> None:
    same_choices(close_loop(machine, tick=machine.scan, faults=faults))


# -- stories -------------------------------------------------------------------------------------


def follow_on_executive(run: Replay) -> None:
    """Feeds the executive with a story's circuits, faults applied at the pins, tick by tick."""
    loop = run.loop
    executive = Executive(loop.machine)
    faults = {item.number: item for item in loop.faults}
    dark = False
    for tick, circuits in zip(run.ticks, run.circuits, strict=True):
        if bool(tick.values["dark"]) != dark:
            dark = not dark
            (executive.power_off if dark else executive.power_on)()
        fault = faults.get(tick.values["fault"])
        for name, level in circuits.items():
            stuck = fault is not None and fault.subject == name
            if stuck and fault.kind is FaultKind.INPUT_ON:
                executive.inputs[name] = True
            elif stuck and fault.kind is FaultKind.INPUT_OFF:
                executive.inputs[name] = False
            else:
                executive.inputs[name] = bool(level)
        executive.scan()
        for item in loop.controller.sequences:
            active = tick.values[item.active.name]
            assert executive.states[item.name] == (None if dark else item.states[active])
        for output in loop.controller.outputs:
            assert executive.outputs[output.name] == bool(tick.values[output.asked.name])
        for cell in loop.controller.memory:
            assert executive.memory[cell.name.removesuffix(".value")] == tick.values[cell.name]


@pytest.mark.parametrize("faults", [0, 1])
def test_each_story_is_a_shortest_one_and_breaks_what_it_says_at_its_end_only(faults: int) -> None:
    """The length is the depth at which the Python search first sees the break."""
    loop = gate(faults)
    shortest = search(loop).broken if not faults else search_c(gate(faults, lazy=False)).broken
    with searching(loop, threads=2) as done:
        runs = done.breaks()
    assert {name: len(run.ticks) for name, run in runs.items()} == shortest
    for name, run in runs.items():
        index = loop.requirement_names.index(name)
        assert [index in tick.broken for tick in run.ticks] == [False] * (len(run.ticks) - 1) + [True]


@pytest.mark.parametrize("faults", [0, 1])
def test_the_executive_goes_the_way_of_each_story(faults: int) -> None:
    """At the scan: same states, memory and outputs at every tick, the fault at the pins."""
    with searching(gate(faults, tick=20), threads=2) as done:
        runs = done.breaks()
    assert runs
    for run in runs.values():
        follow_on_executive(run)


def test_a_told_story_lists_the_circuits_of_every_tick_and_the_fault_that_is_present() -> None:
    with searching(gate(1)) as done:
        runs = done.breaks()
    for name, run in runs.items():
        story = tell(run, name)
        assert story.ticks == len(story.inputs) == len(run.ticks)
        assert story.steps[0].tick == 0
        assert story.steps[-1].tick == story.ticks - 1
        present = run.ticks[-1].values["fault"]
        assert story.fault == next((item.name for item in run.loop.faults if item.number == present), None)
    assert {tell(run, "").fault for run in runs.values()} != {None}


def test_the_same_story_is_told_by_any_number_of_threads() -> None:
    told = []
    for threads in (1, 2):
        with searching(gate(1), threads=threads) as done:
            told.append({name: tell(run, name) for name, run in done.breaks().items()})
    assert told[0] == told[1]


def test_a_story_keeps_the_values_of_memory_that_nothing_reads_any_more() -> None:
    """Stored states have dropped them; a story shows what the controller has."""
    machine = Machine.model_validate({
        "machine": "lamp",
        "scan": "10 ms",
        "inputs": {"button": {}},
        "outputs": {"lamp": {}},
        "memory": {"latched": {}},
        "sequences": {"s": {"start": "a", "states": {
            "a": {"exits": [{"after": "0 ms", "to": "b", "set": ["latched"]}]},
            "b": {"exits": [{"after": "20 ms", "to": "c"}]},
            "c": {"on": ["lamp"], "end": True},
        }}},
        "requirements": {"dark": {"never": "lamp"}},
    })  # fmt: skip
    with searching(close_loop(machine, tick=10, faults=0)) as done:
        run = done.breaks()["dark"]
    assert [tick.values["latched.value"] for tick in run.ticks] == [1, 1, 1]
    follow_on_executive(run)
    assert [c.name for step in tell(run, "").steps for c in step.changes].count("latched") == 1


def stories_are_true(machine: Machine, faults: int) -> None:
    with searching(close_loop(machine, tick=machine.scan, faults=faults)) as done:
        for run in done.breaks().values():
            follow_on_executive(run)


@quick(8)
@given(machine=closed_machines(), faults=st.sampled_from((0, 1)))
def test_the_executive_goes_the_way_of_stories_of_random_machines(machine: Machine, faults: int) -> None:
    stories_are_true(machine, faults)


@pytest.mark.night
@quick(300)
@given(machine=closed_machines(parts=2), faults=st.sampled_from((0, 1)))
def test_the_executive_goes_the_way_of_stories_of_many_random_machines(machine: Machine, faults: int) -> None:
    stories_are_true(machine, faults)


# -- simulation inside the explored set ------------------------------------------------------------


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
