"""What the ways through a machine wait for, as levels of inputs that somebody can set.

A run that presses buttons at random seldom gets past the first state. A guided one reads the
guards: an input named plainly is wanted on, one under ``not`` off, whether joined by AND or
OR; ``rising(x)`` wants x off before. Of a requirement the same is read: what triggers it, what
it forbids, what must come first. Only wishes are read here, so a wrong one costs a detour and
never a verdict.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from stillgate.controller.expression import (
    Binary,
    Edge,
    EdgeOf,
    Expression,
    HeldFor,
    Name,
    Not,
    Operator,
)
from stillgate.controller.machine import Machine
from stillgate.controller.namespace import Context, InputRef, Namespace, SeenRef
from stillgate.controller.quantities import Condition, Milliseconds


@dataclass(frozen=True, slots=True)
class Wish:
    """Levels that are wanted of free inputs.

    Attributes:
        levels: the level of each input.
        edges: inputs that must have had the other level before.
    """

    levels: tuple[tuple[str, bool], ...]
    edges: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Way:
    """A way out of a state, or an override.

    Attributes:
        sequence: whose.
        target: the state that it leads to.
        wish: what it waits for, as far as somebody can do it.
        after: least time in the state before it is taken.
    """

    sequence: str
    target: str
    wish: Wish
    after: Milliseconds


class Guide:
    """What ways and requirements of a machine wait for.

    Args:
        machine: the machine.
        free: inputs that can be set.

    Attributes:
        quiet: levels at which no override is true, as far as somebody can do that.
        provocations: what the conditions of requirements wait for: (requirement, wish).
    """

    def __init__(self, machine: Machine, free: Iterable[str]) -> None:
        self._names = Namespace(machine)
        self._free = frozenset(free)
        self._exits: dict[tuple[str, str], tuple[Way, ...]] = {}
        self._overrides: dict[str, tuple[Way, ...]] = {}
        quiet: dict[str, bool] = {}
        for name, sequence in machine.sequences.items():
            self._overrides[name] = tuple(
                Way(name, item.to, self._wish(item.when, Context.GUARD), 0) for item in sequence.overrides
            )
            for way in self._overrides[name]:
                for signal, on in way.wish.levels:
                    quiet.setdefault(signal, not on)
            for state, body in sequence.states.items():
                self._exits[name, state] = tuple(
                    Way(name, item.to, self._wish(item.when, Context.GUARD), item.after or 0)
                    for item in body.exits
                )
        self.quiet: Mapping[str, bool] = quiet
        self.provocations = tuple(
            (name, wish)
            for name, requirement in machine.requirements.items()
            for condition in _conditions(requirement)
            if (wish := self._wish(condition, Context.REQUIREMENT)).levels
        )

    def ways(self, states: Mapping[str, str | None]) -> list[Way]:
        """Every way out of the active states, exits before overrides."""
        active = [(name, state) for name, state in states.items() if state is not None]
        exits = [way for pair in active for way in self._exits[pair]]
        overrides = [way for name, state in active for way in self._overrides[name] if way.target != state]
        return exits + overrides

    def _wish(self, condition: Condition | None, context: Context) -> Wish:
        if condition is None:
            return Wish(())
        levels: dict[str, bool] = {}
        edges: set[str] = set()
        for name, on, edge in self._wanted(condition.tree, context, wanted=True):
            if name in self._free and name not in levels:
                levels[name] = on
                if edge:
                    edges.add(name)
        return Wish(tuple(levels.items()), frozenset(edges))

    def _wanted(
        self, tree: Expression, context: Context, *, wanted: bool
    ) -> Iterator[tuple[str, bool, bool]]:
        match tree:
            case Not(operand=operand):
                yield from self._wanted(operand, context, wanted=not wanted)
            case Binary(operator=Operator.AND | Operator.OR, left=left, right=right):
                yield from self._wanted(left, context, wanted=wanted)
                yield from self._wanted(right, context, wanted=wanted)
            case HeldFor(argument=argument):
                yield from self._wanted(argument, context, wanted=wanted)
            case EdgeOf(argument=argument, edge=edge) if wanted:
                rising = edge is Edge.RISING
                for name, on, _ in self._wanted(argument, context, wanted=rising):
                    yield name, on, True
            case Name(path=path):
                found = self._names.resolve(path, context)
                if isinstance(found, InputRef | SeenRef):
                    yield found.name, wanted, False
            case _:
                return


def _conditions(requirement: object) -> Iterator[Condition]:
    for value in vars(requirement).values():
        if isinstance(value, Condition):
            yield value
