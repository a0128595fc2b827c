"""Executive, C, exploration, random runs and z3 on the same random machines never disagree.

What a run breaks, random or by Hypothesis, the exploration at the scan breaks too; what the
exploration breaks, the executive does when it is fed the story; the C controllers of two hundred
machines walk with the executive. A machine that is too large to be explored in a moment is walked only.

At night more of them, in chunks of twenty, some twelve minutes of one processor:
``pytest -m night tests/interlocks/test_cross_checks.py``.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis.stateful import run_state_machine_as_test

from engine import checked
from judged_by_others import broken_in_runs, replayed
from machines_strategy import machine_text
from many_controllers import OfMany, compiled
from plants_strategy import CHUNK, twenty_machines
from python_search import search
from stillgate.controller.effort import Effort
from stillgate.controller.execution.executive import Executive
from stillgate.controller.machine_file.machine import Level, Machine
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.loop.closed_loop import close_loop
from stillgate.interlocks.results.verdict import Word
from stillgate.testing import RequirementBroken, machine_rules

MACHINES = Path(__file__).parents[2] / "machines"
COUNT = 200


def drawn(count: int) -> list[dict[str, object]]:
    """The same random machine files at every run: parts, faults, requirements, sequences."""
    chunks = range(-(-count // CHUNK))
    return [item for chunk in chunks for item in twenty_machines(chunk)][:count]


# -- C and executive -----------------------------------------------------------------------------


def walk(machine: Machine, native: OfMany, scans: int) -> int:
    """Both on random levels with a power failure; how many scans left the start states."""
    executive = Executive(machine)
    low = {name for name, item in machine.inputs.items() if item.active is Level.LOW}
    chance, moved = random.Random(1), 0
    circuits = dict.fromkeys(machine.inputs, False)
    start = dict(executive.states)
    for number in range(scans):
        if number == scans // 2:
            executive.power_off()
            executive.power_on()
            native.power_on()
        circuits |= {name: chance.random() < 0.5 for name in circuits if chance.random() < 0.3}
        executive.inputs.update(circuits)
        executive.scan()
        native.scan({name: on ^ (name in low) for name, on in circuits.items()})
        for sequence in native.program.sequences:
            assert executive.states[sequence.name] == sequence.states[native.value(sequence.active)]
        for output in native.program.outputs:
            assert executive.outputs[output.name] == bool(native.value(output.asked))
        for cell, name in native.program.memory.items():
            assert executive.memory[name] == native.value(cell)
        moved += dict(executive.states) != start
    return moved


def test_the_c_of_two_hundred_machines_walks_with_the_executive() -> None:
    items = drawn(COUNT)
    assert len({machine_text(item) for item in items}) == COUNT, "two hundred different machines"
    machines = [Machine.model_validate(item) for item in items]
    moved = [walk(machine, native, 24) for machine, native in zip(machines, compiled(machines), strict=True)]
    assert sum(count > 0 for count in moved) > COUNT * 0.8, "random machines must move"


# -- runs and exploration ------------------------------------------------------------------------


def broken_by_hypothesis(text: str, folder: Path, examples: int) -> set[str]:
    """What the first failing run of Hypothesis' state machine breaks, with at most one fault."""
    rules = machine_rules(read_machine_text(text, "machine.yaml"), faults=1, found_in=folder)
    try:
        run_state_machine_as_test(seed(1)(rules), settings=generating(examples, steps=6))
    except RequirementBroken as found:
        return {found.requirement.removesuffix(" in its bounds")}
    return set()


def generating(examples: int, *, steps: int) -> settings:
    """So many runs, the same ones at every call, not shrunk."""
    return settings(
        max_examples=examples,
        stateful_step_count=steps,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )


def compared(items: list[dict[str, object]], limit: int, folder: Path) -> tuple[int, int, int]:
    """How many machines were explored, and what random and aimed runs broke of them."""
    explored = at_random = aimed = 0
    for item in items:
        machine = Machine.model_validate(item)
        loop = close_loop(machine, tick=machine.scan, faults=1, possibility=False)
        try:
            found = search(loop, limit=limit)
        except OverflowError:
            continue
        left_out = machine.requirements.keys() - set(loop.monitors.requirements)  # asked without faults
        random_breaks = broken_in_runs(machine, runs=6, scans=30) - left_out
        aimed_breaks = broken_by_hypothesis(machine_text(item), folder, examples=10) - left_out
        assert random_breaks | aimed_breaks <= set(found.broken), item
        explored += 1
        at_random += len(random_breaks)
        aimed += len(aimed_breaks)
    return explored, at_random, aimed


def test_what_runs_break_the_exploration_breaks(tmp_path: Path) -> None:
    explored, at_random, aimed = compared(drawn(40), limit=120, folder=tmp_path)
    assert explored >= 5
    assert at_random >= 5
    assert aimed >= 5


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(30))
def test_what_many_runs_break_the_exploration_breaks(chunk: int, tmp_path: Path) -> None:
    explored, at_random, aimed = compared(twenty_machines(chunk), limit=4000, folder=tmp_path)
    assert explored >= CHUNK / 2
    assert at_random
    assert aimed


# -- stories and executive -----------------------------------------------------------------------


def all_agree(items: list[dict[str, object]], *, prove: bool) -> int:
    """C exploration, its stories on the executive, and z3's opinion; how many stories."""
    stories = 0
    for item in items:
        text = machine_text(item)
        document = read_machine_text(text, "machine.yaml")
        scan = document.machine.scan
        result = checked(text, tick=scan, faults=1, use_cache=False)
        stories += replayed(result, document.machine)
        if prove:
            from stillgate.interlocks.analyses.cross_check import cross_checked

            opinion = cross_checked(document, tick=scan, faults=1, effort=Effort().within(5), explored=result)
            assert not opinion.disagreements
    return stories


def test_stories_of_random_machines_replay_on_the_executive_and_z3_agrees() -> None:
    pytest.importorskip("z3")
    assert all_agree(drawn(3), prove=True) > 0


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(COUNT // CHUNK))
def test_many_random_machines_are_judged_alike_by_all(chunk: int) -> None:
    pytest.importorskip("z3")
    assert all_agree(twenty_machines(chunk), prove=True) > 0


# -- Hypothesis and exploration --------------------------------------------------------------------


@pytest.mark.parametrize("name", ["press_plain_and"])
def test_what_hypothesis_breaks_in_a_planted_mistake_the_check_breaks(name: str, tmp_path: Path) -> None:
    """At the scan, with a single fault; and the story of the check replays."""
    path = MACHINES / "broken" / f"{name}.yaml"
    rules = machine_rules(path, faults=1, found_in=tmp_path)
    with pytest.raises(RequirementBroken) as raised:
        run_state_machine_as_test(seed(1)(rules), settings=generating(200, steps=50))
    text = path.read_text(encoding="utf-8")
    machine = read_machine_text(text, path.name).machine
    result = checked(text, tick=machine.scan, faults=1, use_cache=False)
    verdicts = {item.name: item.verdict for item in result.requirements}
    assert verdicts[raised.value.requirement] is Word.BROKEN
    assert replayed(result, machine) > 0
