"""Breadth-first search of a closed loop in plain Python: slow, short, and nothing else's code.

It steps the Python evaluator and enumerates choices like an odometer. The C engine and all
ways to make a loop smaller (on-demand inputs, canonical states) are held against it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from stillgate.interlocks.loop.closed_loop import ClosedLoop
from stillgate.interlocks.loop.interpreter import Chooser, LoopRunner, Tick

Result = TypeVar("Result")
Key = tuple[int, ...]


@dataclass(frozen=True)
class Found:
    """What the search found."""

    depths: dict[Key, int]
    transitions: int
    broken: dict[str, int]  # first depth at which each requirement breaks
    goals: dict[str, int]  # first depth at which each goal is met
    taken: dict[int, int]  # first depth at which each exit is taken or trigger happens
    levels: int

    def projected(self, indices: list[int]) -> set[Key]:
        """The set of states seen through some of their cells."""
        return {tuple(key[i] for i in indices) for key in self.depths}


def _replayer(fixed: list[int], picks: list[int], sizes: list[int]) -> Chooser:
    """Answers as fixed and with 0 beyond, and keeps what was answered and out of how many."""

    def choose(name: str, count: int) -> int:
        at = len(picks)
        picks.append(fixed[at] if at < len(fixed) else 0)
        sizes.append(count)
        return picks[at]

    return choose


def leaves(run: Callable[[Chooser], Result]) -> Iterator[Result]:
    """Runs something once for every combination of its choices."""
    fixed: list[int] = []
    while True:
        picks: list[int] = []
        sizes: list[int] = []

        yield run(_replayer(fixed, picks, sizes))
        while picks and picks[-1] + 1 >= sizes[len(picks) - 1]:
            picks.pop()
        if not picks:
            return
        fixed = [*picks[:-1], picks[-1] + 1]


def search(loop: ClosedLoop, limit: int = 200_000) -> Found:
    """All reachable states; raises if there are more than ``limit``."""
    runner = LoopRunner(loop)

    def begin(chooser: Chooser) -> Key:
        runner.begin(chooser)
        return runner.key()

    depths: dict[Key, int] = dict.fromkeys(leaves(begin), 0)
    level = list(depths)
    broken: dict[str, int] = {}
    goals: dict[str, int] = {}
    taken: dict[int, int] = {}
    names = [name for name, _ in loop.monitors.goals]
    transitions = levels = 0
    while level:
        following: list[Key] = []
        levels += 1
        for key in level:

            def step(chooser: Chooser, key: Key = key) -> tuple[Tick, Key]:
                runner.load(key)
                return runner.step(chooser), runner.key()

            for tick, to in leaves(step):
                transitions += 1
                for index in tick.broken:
                    broken.setdefault(loop.requirement_names[index], levels)
                for name, met in zip(names, tick.goals, strict=True):
                    if met:
                        goals.setdefault(name, levels)
                for mark in tick.covered:
                    taken.setdefault(mark, levels)
                if to not in depths:
                    depths[to] = levels
                    following.append(to)
        if len(depths) > limit:
            raise OverflowError(f"more than {limit} states")
        level = following
    return Found(depths, transitions, broken, goals, taken, levels)
