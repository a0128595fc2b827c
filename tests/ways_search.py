"""Which situations have no way to a goal: every situation and step listed, in plain Python."""

from __future__ import annotations

from collections import defaultdict

from python_search import Key, leaves
from stillgate.interlocks.loop.closed_loop import ClosedLoop
from stillgate.interlocks.loop.interpreter import Chooser, LoopRunner, Tick


def cut_off(loop: ClosedLoop, limit: int) -> tuple[set[Key], dict[str, set[Key]]]:
    """All reachable situations, and by goal those from which no run leads to it.

    Raises:
        OverflowError: if there are more than ``limit``.
    """
    runner = LoopRunner(loop)

    def begin(chooser: Chooser) -> Key:
        runner.begin(chooser)
        return runner.key()

    names = [name for name, _ in loop.monitors.goals]
    before: dict[Key, set[Key]] = defaultdict(set)
    shown: dict[str, set[Key]] = {name: set() for name in names}
    left = list(dict.fromkeys(leaves(begin)))
    known = set(left)
    while left:
        key = left.pop()

        def step(chooser: Chooser, key: Key = key) -> tuple[Tick, Key]:
            runner.load(key)
            return runner.step(chooser), runner.key()

        for tick, to in leaves(step):
            for name, met in zip(names, tick.goals, strict=True):
                if met:
                    shown[name].add(key)
            before[to].add(key)
            if to not in known:
                known.add(to)
                left.append(to)
        if len(known) > limit:
            raise OverflowError(f"more than {limit} situations")
    return known, {name: known - _from_which(shown[name], before) for name in names}


def _from_which(goal: set[Key], before: dict[Key, set[Key]]) -> set[Key]:
    found, left = set(goal), list(goal)
    while left:
        for key in before[left.pop()]:
            if key not in found:
                found.add(key)
                left.append(key)
    return found
