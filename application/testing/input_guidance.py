"""What the ways through a machine wait for, as levels of inputs that somebody can set.

A run that presses buttons at random seldom gets past the first state. A guided one reads the
guards: an input named plainly is wanted on, one under ``not`` off, whether joined by AND or
OR; ``rising(x)`` wants x off before; a state of another sequence wants the ways that lead
there. Of a requirement the same is read: what triggers it, what it forbids, what must come
first. Only wishes are read here, so a wrong one costs a detour and never a verdict.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from stillgate.controller.expressions.expression import (
    Binary,
    Edge,
    EdgeOf,
    Expression,
    HeldFor,
    Name,
    Not,
    Operator,
)
from stillgate.controller.machine_file.field_types import Condition, Milliseconds
from stillgate.controller.machine_file.machine import Exit, Machine, Override
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.program import Term
from stillgate.controller.rules.namespace import Context, InputRef, Namespace, Reference, SeenRef, StateRef
from stillgate.interlocks.requirements.requirement_lowering import conditions_of

States = Mapping[str, str | None]
"""The active state of every sequence."""


@dataclass(frozen=True, slots=True)
class WantedLevels:
    """What is wanted.

    Attributes:
        levels: the level of each free input.
        edges: inputs that must have had the other level before.
        states: states that are wanted active: (sequence, state).
        sensed: the level of each input that a part gives.
    """

    levels: tuple[tuple[str, bool], ...] = ()
    edges: frozenset[str] = frozenset()
    states: tuple[tuple[str, str], ...] = ()
    sensed: tuple[tuple[str, bool], ...] = ()


@dataclass(frozen=True, slots=True)
class Way:
    """A way out of a state, or an override.

    Attributes:
        sequence: whose.
        target: the state that it leads to.
        wish: what it waits for, as far as somebody can do it.
        after: least time in the state before it is taken.
        guard: its condition in the lowered program.
        onward: whether it leads elsewhere than to the start state.
    """

    sequence: str
    target: str
    wish: WantedLevels
    after: Milliseconds
    guard: Term
    onward: bool


class Guide:
    """What ways and requirements of a machine wait for.

    Args:
        machine: the machine.
        program: its lowered controller.
        free: inputs that can be set.

    Attributes:
        quiet: levels at which no override is true, as far as somebody can do that.
        worked: sequences with a way that waits for somebody.
        interruptions: what the overrides wait for.
        provocations: what the conditions of requirements wait for: (requirement, wish).
    """

    def __init__(self, machine: Machine, program: ControllerProgram, free: Iterable[str]) -> None:
        self._names = Namespace(machine)
        self._free = frozenset(free)
        self._exits: dict[tuple[str, str], tuple[Way, ...]] = {}
        self._overrides: dict[str, tuple[Way, ...]] = {}
        quiet: dict[str, bool] = {}
        for lowered, (name, sequence) in zip(program.sequences, machine.sequences.items(), strict=True):
            pairs = zip(sequence.overrides, lowered.overrides, strict=True)
            self._overrides[name] = tuple(
                self._way(name, item, part.guard, sequence.start) for item, part in pairs
            )
            for way in self._overrides[name]:
                for signal, on in way.wish.levels:
                    quiet.setdefault(signal, not on)
            for parts, (state, body) in zip(lowered.exits, sequence.states.items(), strict=True):
                self._exits[name, state] = tuple(
                    self._way(name, item, part.guard, sequence.start)
                    for item, part in zip(body.exits, parts, strict=True)
                )
        self.quiet: Mapping[str, bool] = quiet
        self.worked = tuple(
            name
            for name in machine.sequences
            if any(way.wish.levels for pair, ways in self._exits.items() if pair[0] == name for way in ways)
        )
        self.interruptions = tuple(
            dict.fromkeys(way.wish for ways in self._overrides.values() for way in ways if way.wish.levels)
        )
        self.provocations = tuple(
            (name, wish)
            for name, requirement in machine.requirements.items()
            for condition in conditions_of(requirement)
            if (wish := self._wish(condition, Context.REQUIREMENT)).levels
        )

    def ways(self, states: States) -> list[Way]:
        """Every way out of the active states, exits before overrides."""
        active = [(name, state) for name, state in states.items() if state is not None]
        exits = [way for pair in active for way in self._exits[pair]]
        overrides = [way for name, state in active for way in self._overrides[name] if way.target != state]
        return exits + overrides

    def onward(self, sequence: str, states: States) -> list[Way]:
        """The exits of a sequence's active state, those back to its start state last."""
        state = states[sequence]
        found = () if state is None else self._exits[sequence, state]
        return sorted(found, key=lambda way: not way.onward)

    def towards(self, sequence: str, target: str, states: States) -> list[Way]:
        """The ways from where a sequence is to a state, a shortest list; empty if there is none."""
        start = states[sequence]
        if start is None or start == target:
            return []
        before: dict[str, Way] = {}
        sources = {start: start}
        waiting = deque([start])
        while waiting:
            state = waiting.popleft()
            for way in (*self._exits[sequence, state], *self._overrides[sequence]):
                if way.target not in sources:
                    sources[way.target], before[way.target] = state, way
                    waiting.append(way.target)
        if target not in before:
            return []
        found: list[Way] = []
        while target != start:
            found.append(before[target])
            target = sources[target]
        return found[::-1]

    # -- wishes --------------------------------------------------------------------------------

    def _way(self, name: str, item: Exit | Override, guard: Term, start: str) -> Way:
        after = item.after or 0 if isinstance(item, Exit) else 0
        return Way(name, item.to, self._wish(item.when, Context.GUARD), after, guard, item.to != start)

    def _wish(self, condition: Condition | None, context: Context) -> WantedLevels:
        if condition is None:
            return WantedLevels()
        levels: dict[str, bool] = {}
        edges: set[str] = set()
        states: dict[tuple[str, str], None] = {}
        sensed: dict[str, bool] = {}
        for found, on, edge in self._wanted(condition.tree, context, wanted=True):
            if isinstance(found, StateRef):
                if on:
                    states[found.sequence, found.state] = None
            elif isinstance(found, InputRef | SeenRef) and found.name not in self._free:
                sensed.setdefault(found.name, on)
            elif isinstance(found, InputRef | SeenRef):
                if found.name not in levels and edge:
                    edges.add(found.name)
                levels.setdefault(found.name, on)
        return WantedLevels(tuple(levels.items()), frozenset(edges), tuple(states), tuple(sensed.items()))

    def _wanted(
        self, tree: Expression, context: Context, *, wanted: bool
    ) -> Iterator[tuple[Reference, bool, bool]]:
        match tree:
            case Not(operand=operand):
                yield from self._wanted(operand, context, wanted=not wanted)
            case Binary(operator=Operator.AND | Operator.OR, left=left, right=right):
                yield from self._wanted(left, context, wanted=wanted)
                yield from self._wanted(right, context, wanted=wanted)
            case HeldFor(argument=argument):
                yield from self._wanted(argument, context, wanted=wanted)
            case EdgeOf(argument=argument, edge=edge) if wanted:
                for found, on, _ in self._wanted(argument, context, wanted=edge is Edge.RISING):
                    yield found, on, True
            case Name(path=path):
                yield self._names.resolve(path, context), wanted, False
            case _:
                return
