"""Breadth first over every situation of a machine: verdicts and their shortest depths.

First the graph of all situations is made, its edges labelled with what an instant shows. Then each
requirement is judged on the product of that graph with its own memory. A depth is the number of
the instant, counted from 0.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from stillgate.controller.machine_file.machine import FromAnywhere, Machine, Reach, Requirement

from .faults import Faults
from .monitors import Memory, Monitor
from .world import Instant, Situation, World


class TooLarge(Exception):  # noqa: N818
    """A machine has more situations or ticks than this plain search is meant for."""


class Answer(NamedTuple):
    """A verdict.

    Attributes:
        holds: whether the requirement holds.
        depth: the first instant that breaks it, or that shows what was to be reached; None if there is none.
        triggered: whether its trigger was ever true.
    """

    holds: bool
    depth: int | None
    triggered: bool = True


@dataclass
class Judgement:
    """Everything the oracle says of a machine.

    Attributes:
        asked: how many faults each requirement must withstand.
        answers: by requirement and number of faults, up to the most that any must withstand.
        left_range: by memory and number of faults, the first instant at which it was asked to leave.
        states: states of sequences that are active in some situation without a fault.
        exits: exits that are taken without a fault: sequence, state ('' of overrides), number from 1.
        situations: size of the search.
    """

    asked: dict[str, int]
    answers: dict[tuple[str, int], Answer] = field(default_factory=dict)
    left_range: dict[tuple[str, int], int] = field(default_factory=dict)
    states: set[tuple[str, str]] = field(default_factory=set)
    exits: set[tuple[str, str, int]] = field(default_factory=set)
    situations: int = 0

    def up_to(self, faults: int | None) -> Judgement:
        """What it says of so many faults and fewer; None: of all."""
        if faults is None:
            return self
        return replace(
            self,
            asked={name: min(count, faults) for name, count in self.asked.items()},
            answers={key: answer for key, answer in self.answers.items() if key[1] <= faults},
            left_range={key: depth for key, depth in self.left_range.items() if key[1] <= faults},
        )


@dataclass
class Graph:
    """All situations: ``edges[i]`` are the ticks of situation i, as instant and situation after it."""

    situations: list[Situation]
    starts: int
    edges: list[list[tuple[Instant, int]]]


def faults_to_withstand(machine: Machine, requirement: Requirement) -> int:
    """How many faults a requirement must withstand."""
    if isinstance(requirement, Reach | FromAnywhere):
        return 0
    if requirement.faults is not None:
        return requirement.faults
    return machine.check.faults if requirement.hazard is not None else 0


def judge(machine: Machine, *, tick: int, most: int) -> Judgement:
    """All verdicts of a machine; ``most`` limits the ticks that are looked at.

    Raises:
        TooLarge: if there are more.
    """
    asked = {name: faults_to_withstand(machine, item) for name, item in machine.requirements.items()}
    budget = max(machine.check.faults, *asked.values()) if asked else machine.check.faults
    graph = explore(World(machine, tick=tick, budget=budget), most)
    found = Judgement(asked, situations=len(graph.situations))
    for name, requirement in machine.requirements.items():
        monitor = Monitor(machine, requirement, tick)
        if isinstance(requirement, FromAnywhere):
            found.answers[name, 0] = _from_anywhere(graph, monitor)
            continue
        for count in range(1 if isinstance(requirement, Reach) else budget + 1):
            found.answers[name, count] = first_mark(graph, monitor, up_to(count))
    for count in range(budget + 1):
        _look_around(graph, count, found)
    for situation in graph.situations:
        if situation.controlled is not None and not situation.faults:
            found.states |= set(zip(machine.sequences, situation.controlled.active, strict=True))
    return found


def explore(world: World, most: int) -> Graph:
    """The graph of all situations.

    Raises:
        TooLarge: if it has more than ``most`` ticks.
    """
    number = {situation: index for index, situation in enumerate(dict.fromkeys(world.starts()))}
    graph = Graph(list(number), len(number), [])
    looked_at = 0
    for situation in graph.situations:  # grows while it is walked
        edges: dict[tuple[object, ...], tuple[Instant, int]] = {}
        for instant, after in world.after(situation):
            looked_at += 1
            if looked_at > most:
                raise TooLarge
            if after not in number:
                number[after] = len(graph.situations)
                graph.situations.append(after)
            label = (*instant.names.values(), instant.left_range, instant.taken, number[after])
            edges[label] = (instant, number[after])
        graph.edges.append(list(edges.values()))
    return graph


Allowed = Callable[[Faults], bool]
"""Which faults may have begun in the runs that are looked at."""


def up_to(count: int) -> Allowed:
    """So many faults, whichever."""
    return lambda faults: len(faults) <= count


def none_but(*named: str) -> Allowed:
    """These faults, or some of them, or none."""
    return lambda faults: faults <= set(named)


def _starts(graph: Graph, allowed: Allowed) -> list[int]:
    return [node for node in range(graph.starts) if allowed(graph.situations[node].faults)]


def _ticks(graph: Graph, node: int, allowed: Allowed) -> Iterator[tuple[Instant, int]]:
    for instant, after in graph.edges[node]:
        if allowed(graph.situations[after].faults):
            yield instant, after


def first_mark(graph: Graph, monitor: Monitor, allowed: Allowed) -> Answer:
    """The first instant that is marked: broken, or of ``reach`` reached."""
    level = {(node, monitor.start()) for node in _starts(graph, allowed)}
    seen = set(level)
    depth, triggered, marked_at = 0, False, None
    while level and marked_at is None:
        following: set[tuple[int, Memory]] = set()
        for node, memory in level:
            for instant, after in _ticks(graph, node, allowed):
                judged = monitor.judge(memory, instant.names)
                triggered = triggered or judged.triggered
                if judged.marked:
                    marked_at = depth
                following.add((after, judged.after))
        level = following - seen
        seen |= level
        depth += 1
    reach = isinstance(monitor.requirement, Reach)
    return Answer((marked_at is not None) == reach, marked_at, triggered)


def _from_anywhere(graph: Graph, monitor: Monitor) -> Answer:
    """Backward from every tick that shows the goal: what is not met has no way to it."""
    starts = [(node, monitor.start()) for node in _starts(graph, up_to(0))]
    depths = dict.fromkeys(starts, 0)
    before: dict[tuple[int, Memory], list[tuple[int, Memory]]] = {}
    has_way: set[tuple[int, Memory]] = set()
    queue = deque(starts)
    while queue:
        item = queue.popleft()
        for instant, after in _ticks(graph, item[0], up_to(0)):
            judged = monitor.judge(item[1], instant.names)
            following = (after, judged.after)
            if judged.marked:
                has_way.add(item)
            before.setdefault(following, []).append(item)
            if following not in depths:
                depths[following] = depths[item] + 1
                queue.append(following)
    queue = deque(has_way)
    while queue:
        for item in before.get(queue.popleft(), []):
            if item not in has_way:
                has_way.add(item)
                queue.append(item)
    cut_off = [depth for item, depth in depths.items() if item not in has_way]
    return Answer(not cut_off, min(cut_off, default=None))


def _look_around(graph: Graph, faults: int, found: Judgement) -> None:
    """When memory is first asked to leave its range; without faults also the exits that are taken."""
    level = set(_starts(graph, up_to(faults)))
    seen = set(level)
    depth = 0
    while level:
        following: set[int] = set()
        for node in level:
            for instant, after in _ticks(graph, node, up_to(faults)):
                for memory in instant.left_range:
                    found.left_range.setdefault((memory, faults), depth)
                if faults == 0:
                    found.exits |= set(instant.taken)
                following.add(after)
        level = following - seen
        seen |= level
        depth += 1
