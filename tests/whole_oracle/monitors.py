"""Step 7 for one requirement: what it remembers from instant to instant, and when it is broken."""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

from stillgate.controller.expressions.expression import EdgeOf, Expression, HeldFor, Name, walk
from stillgate.controller.machine_file.machine import (
    Always,
    FromAnywhere,
    Invariance,
    Machine,
    Never,
    Precedence,
    Reach,
    Requirement,
    Response,
)

from .rounding import down, up
from .terms import Frame, Key, Side, observations, text_of, value


class Memory(NamedTuple):
    """What a requirement remembers.

    Attributes:
        true_for: for each argument of rising, falling and held, instants in a row that it was true.
        pending: response: instants since the oldest trigger not yet served; invariance: since the
            newest trigger; -1 for none. Precedence: 1 if ``first`` was counted.
    """

    true_for: tuple[int, ...]
    pending: int


class Judged(NamedTuple):
    """One instant: what is remembered after it, whether it breaks the requirement (of a possibility:
    whether it shows what was to be reached), and whether the trigger was true.
    """

    after: Memory
    marked: bool
    triggered: bool


class Monitor:
    """A requirement of a machine at a tick, all in milliseconds."""

    def __init__(self, machine: Machine, requirement: Requirement, tick: int) -> None:
        self.requirement = requirement
        self._machine = machine
        self._tick = tick
        nodes = list(observations(conditions_of(requirement)))
        self._arguments: dict[str, Expression] = {text_of(node.argument): node.argument for node in nodes}
        self._nodes = {text_of(node): node for node in nodes}
        self._most = dict.fromkeys(self._arguments, 1)
        for node in nodes:
            if isinstance(node, HeldFor):
                argument = text_of(node.argument)
                self._most[argument] = max(self._most[argument], self._ticks(node, Side.SATISFIES) + 1)
        self.names = sorted(
            {
                node.path
                for tree in conditions_of(requirement)
                for node in walk(tree)
                if isinstance(node, Name)
            }
        )
        self._judge_names = cache(self._judge)

    def start(self) -> Memory:
        """Before instant 0: nothing was ever true."""
        pending = 0 if isinstance(self.requirement, Precedence) else -1
        return Memory((0,) * len(self._arguments), pending)

    def judge(self, memory: Memory, frame: dict[str, int]) -> Judged:
        """One instant."""
        return self._judge_names(memory, tuple(frame[name] for name in self.names))

    def _ticks(self, node: HeldFor, side: Side) -> int:
        """k of ``held(x, t)``: true if x was true at the last k + 1 instants; -1 if always.

        An input or a part may have changed just after the sample before.
        """
        time, scan = node.milliseconds, self._machine.scan
        if time == 0:
            return 0
        if side is Side.SATISFIES:
            return up(time, self._tick)
        between_scans = any(
            name.path in self._machine.inputs or name.path.partition(".")[0] in self._machine.parts
            for name in walk(node.argument)
            if isinstance(name, Name)
        )
        if not between_scans:
            return down(time, self._tick)
        return down(time - scan, self._tick) if time >= scan else -1

    def _judge(self, memory: Memory, values: tuple[int, ...]) -> Judged:
        frame: dict[Key, int] = {**dict(zip(self.names, values, strict=True))}
        true_for = tuple(
            min(was + 1, self._most[text]) if value(argument, frame) else 0
            for (text, argument), was in zip(self._arguments.items(), memory.true_for, strict=True)
        )
        number = {text: index for index, text in enumerate(self._arguments)}
        for text, node in self._nodes.items():
            place = number[text_of(node.argument)]
            now, before = true_for[place], memory.true_for[place]
            match node:
                case EdgeOf(edge=edge):
                    changed = now and not before if edge.value == "rising" else before and not now
                    frame[text] = int(bool(changed))
                case HeldFor():
                    for side in Side:
                        frame[text, side] = int(now >= self._ticks(node, side) + 1)
        pending, marked, triggered = self._pattern(memory.pending, frame)
        return Judged(Memory(true_for, pending), marked, triggered)

    def _pattern(self, pending: int, frame: Frame) -> tuple[int, bool, bool]:
        """What is pending after an instant, whether it is marked, whether the trigger was true."""

        def breaks(tree: Expression) -> bool:
            return bool(value(tree, frame, Side.BREAKS))

        def satisfies(tree: Expression) -> bool:
            return bool(value(tree, frame, Side.SATISFIES))

        match self.requirement:
            case Never(never=condition):
                return -1, breaks(condition.tree), True
            case Always(always=condition):
                return -1, not satisfies(condition.tree), True
            case Reach(reach=condition) | FromAnywhere(from_anywhere=condition):
                return -1, satisfies(condition.tree), True
            case Response(after=trigger, then=answer, within=time):
                triggered = breaks(trigger.tree)
                limit = down(time - self._machine.scan, self._tick)
                if limit < 0:
                    return -1, triggered, triggered
                if satisfies(answer.tree):
                    return -1, False, triggered
                age = pending + 1 if pending >= 0 else 0 if triggered else -1
                return (-1, True, triggered) if age == limit else (age, False, triggered)
            case Invariance(after=trigger, keep=kept, during=time):
                triggered = breaks(trigger.tree)
                age = 0 if triggered else pending + 1 if pending >= 0 else -1
                if age > up(time, self._tick):
                    age = -1
                broken = age >= 0 and not satisfies(kept.tree)
                return (-1 if broken else age), broken, triggered
            case Precedence(before=guarded, first=first, since=since):
                counted = pending == 1 and not (since and breaks(since.tree))
                counted = counted or satisfies(first.tree)
                triggered = breaks(guarded.tree)
                return int(counted), triggered and not counted, triggered


def conditions_of(requirement: Requirement) -> list[Expression]:
    """Every condition of a requirement."""
    match requirement:
        case Never(never=condition) | Always(always=condition):
            found = [condition]
        case Reach(reach=condition) | FromAnywhere(from_anywhere=condition):
            found = [condition]
        case Response(after=trigger, then=answer):
            found = [trigger, answer]
        case Invariance(after=trigger, keep=kept):
            found = [trigger, kept]
        case Precedence(before=guarded, first=first, since=since):
            found = [guarded, first, *([since] if since else [])]
    return [condition.tree for condition in found]
