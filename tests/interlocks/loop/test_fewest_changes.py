"""No change of an input in a story can be left out or moved to power-on: without it nothing breaks."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from engine import runs_to_breaks, searching
from plants_strategy import twenty_machines
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop
from stillgate.interlocks.loop.counterexample import Replay
from stillgate.interlocks.loop.interpreter import LoopRunner
from stillgate.sim_io.simulation.operators import rest_level

BROKEN = Path(__file__).parents[3] / "machines" / "broken"


def free_inputs(loop: ClosedLoop) -> list[str]:
    return [item.name for item in loop.controller.signals if item.name not in loop.plant.circuits]


def breaks_with(run: Replay, levels: list[dict[str, int]], event: str | None) -> object:
    """Whether a run with these levels and the parts, faults and power of another breaks the same by its end.

    Without an event, the situation in which it ends.

    Every level is chosen here in every tick, by an evaluator that shares no code with what cut the run down.
    """
    own = run.loop
    loop = close_loop(own.machine, tick=own.tick, faults=own.budget, lazy=False, canonical=False)
    runner = LoopRunner(loop)
    start = dict(zip(own.key_cells, run.start, strict=True))
    runner.load([start.get(cell, cell.start) for cell in loop.key_cells])
    index = None if event is None else loop.requirement_names.index(event)
    for tick, given, now in zip(run.ticks, run.answers, levels, strict=True):
        answers = [item for item in given if not item[0].endswith(".circuit")]

        def choose(name: str, count: int) -> int:
            if name.endswith(".circuit"):
                return now[name.removesuffix(".circuit")]  # noqa: B023
            at = next((i for i, item in enumerate(answers) if item[0] == name), None)  # noqa: B023
            pick = 0 if at is None else answers.pop(at)[1]  # noqa: B023
            return pick if pick < count else 0

        mine = runner.step(choose)
        if any(mine.values.get(name, 0) != tick.values.get(name, 0) for name in ("fault", "second", "dark")):
            return False
        if index in mine.broken:
            return True
    return runner.key() if event is None else False


def simpler(run: Replay) -> Iterator[list[dict[str, int]]]:
    """The levels of a run with one change left out, or moved to power-on."""
    names = free_inputs(run.loop)
    levels = [{name: now[name] for name in names} for now in run.circuits]
    for name in names:
        rest = int(rest_level(run.loop.machine, name))
        changes = [i for i in range(1, len(levels)) if levels[i][name] != levels[i - 1][name]]
        ends = [*changes[1:], len(levels)]  # one more than changes where there are none
        for first, until in zip(changes, ends, strict=False):
            yield put(levels, name, levels[first - 1][name], first, until)
        if changes:
            yield put(levels, name, levels[changes[0]][name], 0, changes[0])
        if levels[0][name] != rest:
            yield put(levels, name, rest, 0, changes[0] if changes else len(levels))


def put(levels: list[dict[str, int]], name: str, level: int, first: int, until: int) -> list[dict[str, int]]:
    return [{**now, name: level} if first <= i < until else now for i, now in enumerate(levels)]


def assert_nothing_is_needless(loop: ClosedLoop) -> int:
    """Of every break of a loop; how many changes were tried."""
    tried = 0
    with searching(loop) as search:
        runs = runs_to_breaks(search)
    for event, run in runs.items():
        names = free_inputs(loop)
        levels = [{name: now[name] for name in names} for now in run.circuits]
        assert breaks_with(run, levels, event), f"{event}: the story itself does not break it"
        for other in simpler(run):
            tried += 1
            assert not breaks_with(run, other, event), f"{event}: a change is needless"
    return tried


@pytest.mark.parametrize(
    "name", ["press_one_contact", "saw_start_by_level", "harvester_arms_without_standstill"]
)
@pytest.mark.parametrize("faults", [0, 1])
def test_of_a_planted_mistake_each_change_in_a_story_is_needed(name: str, faults: int) -> None:
    if name.startswith("harvester") and faults:
        pytest.skip("takes long, and its stories without a fault are alike")
    machine = read_machine(BROKEN / f"{name}.yaml").machine
    tick = machine.check.tick or machine.scan
    assert assert_nothing_is_needless(close_loop(machine, tick=tick, faults=faults, possibility=False))


def test_of_random_machines_each_change_in_a_story_is_needed() -> None:
    tried = 0
    for text in twenty_machines(0)[:10]:
        machine = Machine.model_validate(text)
        for faults in (0, 1):
            loop = close_loop(machine, tick=machine.scan, faults=faults, possibility=False)
            tried += assert_nothing_is_needless(loop)
    assert tried >= 40


NO_WAY_BACK = """
machine: no_way_back
scan: 10 ms
inputs: {go: {from: operator}, jam: {}, other: {from: operator}, more: {}}
outputs: {lamp: {}}
sequences:
  q:
    start: rest
    states:
      rest: {exits: [{when: rising(go), to: work}, {when: other and more, to: rest}]}
      work: {exits: [{when: 'held(jam, 50 ms)', to: stuck}, {after: 100 ms, to: rest}]}
      stuck: {on: [lamp]}
requirements:
  back_to_work: {from_anywhere: q.work}
"""


def test_on_the_way_to_a_situation_without_a_way_on_each_change_is_needed() -> None:
    machine = read_machine_text(NO_WAY_BACK, "machine.yaml").machine
    loop = close_loop(machine, tick=10, faults=0, exact=True)
    with searching(loop) as search:
        found = search.cut_off("back_to_work")
    assert found is not None
    run = found.run
    assert run is not None
    levels = [{name: now[name] for name in free_inputs(loop)} for now in run.circuits]
    end = breaks_with(run, levels, None)
    others = list(simpler(run))
    assert others
    assert all(breaks_with(run, other, None) != end for other in others)
