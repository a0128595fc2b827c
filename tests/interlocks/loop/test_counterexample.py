"""Stories are true, shortest, and the same however they were found.

The executive, fed with a story's circuits, goes its way tick by tick.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from closed_gate import gate, quick
from engine import runs_to_breaks, search_c, searching
from plants_strategy import closed_machines
from python_search import search
from stillgate.controller.execution.executive import Executive
from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.loop.closed_loop import close_loop
from stillgate.interlocks.loop.counterexample import Replay, tell
from stillgate.sim_io.faults.fault_list import FaultKind


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
        for cell, name in loop.controller.memory.items():
            assert executive.memory[name] == tick.values[cell.name]


@pytest.mark.parametrize("faults", [0, 1])
def test_each_story_is_a_shortest_one_and_breaks_what_it_says_at_its_end_only(faults: int) -> None:
    """The length is the depth at which the Python search first sees the break."""
    loop = gate(faults)
    shortest = search(loop).broken if not faults else search_c(gate(faults, lazy=False)).broken
    with searching(loop, threads=2) as done:
        runs = runs_to_breaks(done)
    assert {name: len(run.ticks) for name, run in runs.items()} == shortest
    for name, run in runs.items():
        index = loop.requirement_names.index(name)
        assert [index in tick.broken for tick in run.ticks] == [False] * (len(run.ticks) - 1) + [True]


@pytest.mark.parametrize("faults", [0, 1])
def test_the_executive_goes_the_way_of_each_story(faults: int) -> None:
    """At the scan: same states, memory and outputs at every tick, the fault at the pins."""
    with searching(gate(faults, tick=20), threads=2) as done:
        runs = runs_to_breaks(done)
    assert runs
    for run in runs.values():
        follow_on_executive(run)


def test_a_told_story_lists_the_circuits_of_every_tick_and_the_fault_that_is_present() -> None:
    with searching(gate(1)) as done:
        runs = runs_to_breaks(done)
    for name, run in runs.items():
        story = tell(run, name)
        assert story.ticks == len(list(story.instants)) == len(run.ticks)
        assert story.steps[0].tick == 0
        assert story.steps[-1].tick == story.ticks - 1
        present = run.ticks[-1].values["fault"]
        assert story.fault == next((item.name for item in run.loop.faults if item.number == present), None)
    assert {tell(run, "").fault for run in runs.values()} != {None}


def test_a_told_story_lists_what_requirements_read_of_the_parts() -> None:
    """A leaf that is driven counts as moving although it has not left its place yet."""
    with searching(gate(0)) as done:
        runs = runs_to_breaks(done)
    moving = 0
    for name, run in runs.items():
        story = tell(run, name)
        instants = list(story.instants)
        assert len(instants) == story.ticks
        for step in story.steps:
            driven = {"motor_open", "motor_shut"} & set(step.on_outputs)
            moves = instants[step.tick].truths["leaf.moving"]
            assert moves or not driven
            moving += moves
    assert moving


def test_the_same_story_is_told_by_any_number_of_threads() -> None:
    told = []
    for threads in (1, 2):
        with searching(gate(1), threads=threads) as done:
            told.append({name: tell(run, name) for name, run in runs_to_breaks(done).items()})
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
        run = runs_to_breaks(done)["dark"]
    assert [tick.values["latched.value"] for tick in run.ticks] == [1, 1, 1]
    follow_on_executive(run)
    assert [c.name for step in tell(run, "").steps for c in step.changes].count("latched") == 1


def stories_are_true(machine: Machine, faults: int) -> None:
    with searching(close_loop(machine, tick=machine.scan, faults=faults)) as done:
        for run in runs_to_breaks(done).values():
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
