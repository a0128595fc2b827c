"""A slice does exactly what the whole does, and nothing that can affect a requirement is left out of it."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace
from functools import cache
from random import Random

import pytest

from engine import searching
from machines_strategy import SMALL, sample
from plants_strategy import closed_machine_dicts
from side_by_side import side_by_side
from slice_runs import difference
from stillgate.controller.errors import TextError
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop
from stillgate.interlocks.loop.counterexample import Path, replay
from stillgate.interlocks.loop.interpreter import LoopRunner
from stillgate.interlocks.slicing.influence import Cone, Influence, influence_of
from stillgate.interlocks.slicing.run_on_whole import lifted_run
from stillgate.interlocks.slicing.slices import names_of, slice_of
from stillgate.sim_io.faults.fault_list import Fault, faults_of

COUNT = 24
RUNS = 4

EACH_KIND = """
machine: each_kind
scan: 10 ms
inputs: {a: {}, b: {debounce: 20 ms}, c: {}, d: {}, shut: {contact: normally_closed}}
outputs: {lamp: {}, valve: {}, other: {}, horn: {}}
memory: {told: {start: false}, copied: {start: false}, twice: {start: false}, count: {range: 0..3, start: 0}}
parts:
  door: {kind: travel, stops: [closed, open], forward: valve, back: not valve, takes: 20..30 ms,
         senses: {shut: at closed}}
  wind: {kind: automaton, starts: calm,
         states: {calm: {exits: [{when: door.at_open, takes: 10..20 ms, to: blows}]}, blows: {}}}
sequences:
  leader: {start: n, states: {n: {exits: [{when: a, to: m}]},
                              m: {on: [lamp], exits: [{when: not a, to: n, set: [told]}]}}}
  follower: {start: n, states: {n: {exits: [{when: leader.m, to: m}]}, m: {exits: [{after: 30 ms, to: n}]}}}
  watcher: {start: n, states: {n: {exits: [{when: lamp, to: m}]},
                               m: {on: [valve], exits: [{when: shut, to: n}]}}}
  copier: {start: n, states: {n: {exits: [{after: 20 ms, to: n, do: {copied: d, twice: told}}]}}}
  holder: {start: n, states: {n: {exits: [{when: "held(b, 30 ms) and rising(c)", to: m,
                                           do: {count: count + 1}}]},
                              m: {on: [horn], exits: [{when: not b, to: n}]}}}
  rest: {start: n, states: {n: {exits: [{when: d, to: m}]}, m: {on: [other], exits: [{after: 50 ms, to: n}]}}}
interlocks: [{hold_off: horn, unless: not copied}]
requirements:
  by_state: {never: follower.m}
  by_output: {never: watcher.m}
  by_writer: {never: told}
  by_input: {never: copied}
  by_memory: {never: twice}
  by_part: {never: wind.at_blows}
  by_switch: {after: valve, then: watcher.n, within: 50 ms}
  by_interlock: {never: horn}
  by_count: {never: count = 3}
"""
"""Every kind of dependence alone on the way to some requirement."""


@cache
def drawn() -> tuple[Machine, ...]:
    """One machine by hand, then random ones, the same at every run; the last are two side by side."""
    found = sample(closed_machine_dicts(SMALL, parts=2), COUNT, first=77)
    both = [side_by_side(*found[number : number + 2]) for number in range(1, COUNT - 1, 3)]
    by_hand = read_machine_text(EACH_KIND, "each_kind.yaml").machine
    return (by_hand, *map(Machine.model_validate, (*found, *both)))


def slices(machine: Machine, influence: Influence) -> Iterator[tuple[str, Machine, Cone]]:
    """Each requirement with the slice that it is judged over, where that is not the whole."""
    sequences = set(machine.sequences)
    for name in machine.requirements:
        cone = influence.of_requirement(name)
        if not cone & sequences:
            cone |= influence.of(next(iter(machine.sequences)))
        if len(cone) < len(names_of(machine)):
            yield name, slice_of(machine, cone, [name]).machine, cone


def some_faults(machine: Machine, part: Machine, random: Random) -> list[Fault | None]:
    """No fault, power, one of the slice and one of the rest, where there are."""
    every, own = faults_of(machine), {item.name for item in faults_of(part)}
    inside = [item for item in every if item.name in own and item.subject]
    outside = [item for item in every if item.name not in own]
    power = [item for item in every if not item.subject]
    return [None, *power, *(random.choice(items) for items in (inside, outside) if items)]


def test_a_slice_does_in_every_tick_what_the_whole_does() -> None:
    """In random runs of the whole, with a fault inside the slice, outside it, and without power."""
    compared = 0
    for number, machine in enumerate(drawn()):
        random = Random(number)
        loop = close_loop(machine, tick=machine.scan, faults=0)
        for name, part, _ in slices(machine, influence_of(loop)):
            for fault in some_faults(machine, part, random):
                said = difference(machine, part, fault, random.randrange(1 << 30))
                assert not said, (number, name, fault, said)
                compared += 1
    assert compared > 3 * COUNT, "too few slices were compared"


def test_what_can_affect_what_is_the_same_with_faults_and_without() -> None:
    for machine in drawn()[::4]:
        loops = [close_loop(machine, tick=machine.scan, faults=faults) for faults in (0, 1)]
        healthy, faulty = (influence_of(loop) for loop in loops)
        assert healthy.direct == faulty.direct


def test_neither_of_two_machines_side_by_side_can_affect_the_other() -> None:
    for machine in drawn()[1 + COUNT :]:
        influence = influence_of(close_loop(machine, tick=machine.scan, faults=1))
        for name in machine.requirements:
            assert {other[:2] for other in influence.of_requirement(name)} <= {name[:2]}


def test_every_run_of_a_slice_is_one_of_the_whole() -> None:
    """Random runs with inputs asked on demand, as searches have them, stepped again on the whole."""
    lifted = 0
    for number, machine in enumerate(drawn()[::3]):
        random = Random(number)
        influence = influence_of(close_loop(machine, tick=machine.scan, faults=0))
        for name, part, _ in slices(machine, influence):
            for faults in (0, 1):
                loop = close_loop(part, tick=part.scan, faults=faults, possibility=not faults)
                run = replay(loop, _walk(LoopRunner(loop), random, 30))
                whole = lifted_run(machine, run, None)
                broken = [
                    {one.requirement_names[index] for tick in ticks for index in tick.broken} & {name}
                    for one, ticks in ((loop, run.ticks), (whole.loop, whole.ticks))
                ]
                assert broken[0] == broken[1], (number, name, faults)
                lifted += 1
    assert lifted > COUNT


def _walk(runner: LoopRunner, random: Random, ticks: int) -> Path:
    asked: list[int] = []

    def choose(name: str, count: int) -> int:
        asked.append(int(random.random() < 0.05) if name == "fault" else random.randrange(count))
        return asked[-1]

    runner.begin(choose)
    keys, choices = [runner.key()], []
    for _ in range(ticks):
        asked.clear()
        runner.step(choose)
        choices.append(tuple(asked))
        keys.append(runner.key())
    return Path(tuple(keys[:-1]), tuple(choices))


def verdicts(loop: ClosedLoop, names: Collection[str]) -> dict[str, object]:
    """Of some requirements the length of the least break, or of the way to the goal and what is cut off."""
    with searching(loop) as search:
        found: dict[str, object] = {name: item.ticks for name, item in search.breaks().items()}
        for name, _ in loop.monitors.goals:
            found[name] = (search.goal_depth(name), search.cut_off(name) is not None)
    return {name: found.get(name) for name in names}


def judged_alike(machine: Machine, faults: int) -> int:
    """Asserts that each slice says what the whole says; how many requirements were compared."""
    exact = not faults

    def loop_of(given: Machine) -> ClosedLoop:
        return close_loop(given, tick=given.scan, faults=faults, possibility=exact, exact=exact)

    whole = loop_of(machine)
    cones: dict[Cone, list[str]] = {}
    for name, _, cone in slices(machine, influence_of(whole)):
        if name in whole.monitors.requirements:
            cones.setdefault(cone, []).append(name)
    said = verdicts(whole, [name for names in cones.values() for name in names]) if cones else {}
    for cone, names in cones.items():
        own = verdicts(loop_of(slice_of(machine, cone, names).machine), names)
        assert own == {name: said[name] for name in names}
    return len(said)


@pytest.mark.parametrize("faults", (0, 1))
def test_a_slice_gives_the_verdicts_and_shortest_ways_of_the_whole(faults: int) -> None:
    """In the engine that lists every situation."""
    assert sum(judged_alike(machine, faults) for machine in drawn()[1:6]) > 3


@pytest.mark.night
@pytest.mark.parametrize("faults", (0, 1))
@pytest.mark.parametrize("number", range(6, COUNT))
def test_more_slices_give_the_verdicts_and_shortest_ways_of_the_whole(number: int, faults: int) -> None:
    judged_alike(drawn()[number], faults)


KINDS = (
    ("sequences", "inputs"), ("sequences", "outputs"), ("sequences", "memory"), ("sequences", "sequences"),
    ("outputs", "sequences"), ("outputs", "inputs"), ("outputs", "memory"),
    ("memory", "sequences"), ("memory", "memory"), ("memory", "inputs"),
    ("inputs", "parts"), ("parts", "outputs"), ("parts", "parts"),
)  # fmt: skip
"""What depends on what; the last of ``outputs`` are interlocks."""


@pytest.mark.parametrize(("what", "on"), KINDS)
def test_without_one_kind_of_dependence_some_slice_does_otherwise(what: str, on: str) -> None:
    """So each kind is there, and the comparison above would notice if one were forgotten."""
    for number, machine in enumerate(drawn()):
        random = Random(number)
        full = influence_of(close_loop(machine, tick=machine.scan, faults=0))
        less = replace(full, direct={name: _without(machine, full, name, what, on) for name in full.direct})
        cones = {name: full.of_requirement(name) for name in machine.requirements}
        for name, cone in cones.items():
            if less.of_requirement(name) == cone:
                continue
            try:
                for given, part, _ in slices(machine, less):
                    if given == name:
                        for _ in range(RUNS):
                            if difference(machine, part, None, random.randrange(1 << 30)):
                                return
            except (KeyError, TextError, AssertionError):
                return  # what is named is not there: nobody could overlook that
    pytest.fail("none did")


def _without(machine: Machine, full: Influence, name: str, what: str, on: str) -> Cone:
    if name not in getattr(machine, what):
        return full.direct[name]
    return frozenset(
        other for other in full.direct[name] if other == name or other not in getattr(machine, on)
    )
