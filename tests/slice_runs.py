"""Random runs of a machine and of a slice of it, tick by tick beside each other."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from random import Random

from stillgate.controller.machine_file.machine import Exclusion, Machine
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop
from stillgate.interlocks.loop.interpreter import LoopRunner, Tick
from stillgate.sim_io.faults.fault_list import Fault, faults_of

Told = dict[str, deque[int]]


def only_fault(machine: Machine, name: str | None) -> Machine:
    """The machine with no fault but one."""
    others = [Exclusion(fault=item.name, why="-") for item in faults_of(machine) if item.name != name]
    exclude = [*machine.check.exclude, *others]
    return machine.model_copy(update={"check": machine.check.model_copy(update={"exclude": exclude})})


def difference(whole: Machine, part: Machine, fault: Fault | None, seed: int, ticks: int = 60) -> str:
    """In what a slice does otherwise than the whole in a random run of the whole; empty if in nothing."""
    budget = int(fault is not None)
    name = None if fault is None else fault.name
    loops = [_levels(only_fault(machine, name), budget) for machine in (whole, part)]
    all_of_it, slice_of_it = map(LoopRunner, loops)
    random = Random(seed)
    told: Told = {}
    levels: dict[str, int] = {}

    def draw(asked: str, count: int) -> int:
        if asked.endswith(".circuit"):
            if asked not in levels or random.random() < 0.3:
                levels[asked] = random.randrange(count)
            answer = levels[asked]
        elif asked == "fault":
            answer = int(random.random() < 0.1)
        else:
            answer = random.randrange(count)
        told.setdefault(asked, deque()).append(answer)
        return answer

    all_of_it.begin(draw)
    slice_of_it.begin(lambda asked, count: told[asked].popleft())
    for number in range(ticks):
        told.clear()
        first = all_of_it.step(draw, settle=False)
        begun = int(first.values["fault"] != 0)
        second = slice_of_it.step(
            lambda asked, count, begun=begun: begun if asked == "fault" else _answer(told, asked),  # type: ignore[misc]
            settle=False,
        )
        found = _different(loops, first, second)
        if found:
            return f"tick {number}: {found}"
    return ""


def _answer(told: Mapping[str, deque[int]], asked: str) -> int:
    return told[asked].popleft()


def _levels(machine: Machine, budget: int) -> ClosedLoop:
    return close_loop(machine, tick=machine.scan, faults=budget, lazy=False, possibility=not budget)


def _different(loops: list[ClosedLoop], first: Tick, second: Tick) -> str:
    part = loops[1]
    for cell in (
        *(item.active for item in part.controller.sequences),
        *part.controller.memory,
        *(item.asked for item in part.controller.outputs),
        *part.plant.driven.values(),
        *part.plant.cells,
    ):
        if first.values[cell.name] != second.values[cell.name]:
            return f"{cell.name} is {first.values[cell.name]} and {second.values[cell.name]}"
    judged = {*part.monitors.broken}
    breaks = [
        {loop.requirement_names[index] for index in tick.broken} & judged
        for loop, tick in zip(loops, (first, second), strict=True)
    ]
    if breaks[0] != breaks[1]:
        return f"broken are {breaks[0]} and {breaks[1]}"
    goals = [
        dict(zip((name for name, _ in loop.monitors.goals), tick.goals, strict=True))
        for loop, tick in zip(loops, (first, second), strict=True)
    ]
    return "" if goals[1].items() <= goals[0].items() else f"goals are {goals[0]} and {goals[1]}"
