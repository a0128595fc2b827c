"""Named conditions: said once in a file, written out wherever their names stand.

::

    conditions: {still: cutter_still and ground_still}

                        when: still and not restart
    as it stands        and(still, not(restart))                                for whoever shows it
    written out         and(and(cutter_still, ground_still), not(restart))      for whoever judges it

This happens once, as a machine is made of its file and before anything else reads a condition, so
the controller, its C, every search, simulation and diagnosis know nothing of names. A name stands
for the tree of its condition, as if in brackets, and every name in it reads what it would read if it
were written there. ``seen.still`` stands for the same with each input ``x`` as ``seen.x`` and each
output ``y`` as ``asked.y``. What was written out has the place of the name that it stands for.

What cannot be written out stays a name: one that is made of itself, and what would be too long. The
rules refuse such a file (``condition_rules``); nothing of it is run.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Protocol, TypeVar, cast

from pydantic import BaseModel, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from ..expressions.expression import Expression, Name, children, placed, readable, walk, with_names
from ..expressions.grammar import DEEPEST, LONGEST_TEXT
from .field_types import Condition

LARGEST_TREE = LONGEST_TEXT // 2
"""Names, operators and constants of one condition, written out: as many as its longest text could hold."""

MOST_WRITTEN_OUT = 200_000
"""Names, operators and constants that come from named conditions, in a whole file."""

SHORT_FORM = "when"
"""``still: a and b`` says the same as ``still: {when: a and b}``."""


class ShortOrLong:
    """Lets a named condition be written as its text alone."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_before_validator_function(self._long, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        short = Condition.__get_pydantic_json_schema__(schema, handler)["anyOf"]
        return {"anyOf": [*short, handler(schema)]}

    @staticmethod
    def _long(value: object) -> object:
        if isinstance(value, str | int):
            return {SHORT_FORM: value}
        if value is None or isinstance(value, list | float):
            raise PydanticCustomError("expression_type", "an expression is expected")
        return value


class Named(Protocol):
    """A named condition."""

    @property
    def when(self) -> Condition: ...


class HasConditions(Protocol):
    """A machine, as far as named conditions need to know it."""

    @property
    def conditions(self) -> Mapping[str, Named]: ...
    @property
    def inputs(self) -> Mapping[str, object]: ...
    @property
    def outputs(self) -> Mapping[str, object]: ...


class HasController(HasConditions, Protocol):
    """The same with what its controller does."""

    @property
    def sequences(self) -> Mapping[str, object]: ...
    @property
    def interlocks(self) -> Sequence[object]: ...


Model = TypeVar("Model", bound=BaseModel)


def written_out_in(model: Model, machine: HasConditions) -> Model:
    """A model in whose conditions the named conditions of a machine are written out."""
    return cast(Model, _Writer(machine).value(model)) if machine.conditions else model


def conditions_in(value: object) -> Iterator[Condition]:
    """Every condition in a model, a list or a mapping, in their order."""
    match value:
        case Condition():
            yield value
        case BaseModel():
            for name in type(value).model_fields:
                yield from conditions_in(getattr(value, name))
        case dict():
            for item in value.values():
                yield from conditions_in(item)
        case list():
            for item in value:
                yield from conditions_in(item)


def names_in(tree: Expression, conditions: Collection[str]) -> Iterator[Name]:
    """Where named conditions stand in a tree, ``seen.`` included."""
    for node in walk(tree):
        if isinstance(node, Name) and node.path.removeprefix("seen.") in conditions:
            yield node


def used_in(machine: HasConditions, trees: Collection[Expression]) -> dict[str, Expression]:
    """What the names in some trees stand for, those inside them too: by name, in the file's order.

    ``seen.still`` has an entry of its own. The trees are as they stand in the file.
    """
    known = machine.conditions
    writer = _Writer(machine)
    found: dict[str, Expression] = {}
    waiting = [node.path for tree in trees for node in names_in(tree, known)]
    while waiting:
        path = waiting.pop()
        if path not in found:
            written = known[path.removeprefix("seen.")].when.written
            found[path] = written if path in known else writer.as_seen(written)
            waiting += [node.path for node in names_in(found[path], known)]
    order = [form for name in known for form in (name, f"seen.{name}")]
    return {name: found[name] for name in order if name in found}


def meanings_in_controller(machine: HasController) -> dict[str, str]:
    """What the named conditions stand for that exits, what they write, and interlocks read, by name."""
    sections = [*machine.sequences.values(), *machine.interlocks]
    trees = [condition.written for section in sections for condition in conditions_in(section)]
    return {name: readable(tree) for name, tree in used_in(machine, trees).items()}


def circles(conditions: Mapping[str, Named]) -> tuple[tuple[str, ...], ...]:
    """Names that are made of themselves, each circle once, from its first name in the file on."""
    parts = _parts(conditions)
    resolved = set(_in_order(parts))
    left = {name: place for place, name in enumerate(conditions) if name not in resolved}
    found: list[tuple[str, ...]] = []
    looked_at: set[str] = set()
    for first in left:
        way: list[str] = []
        name = first
        while name not in looked_at:
            looked_at.add(name)
            way.append(name)
            name = next(part for part in parts[name] if part in left)
        if name in way:
            circle = way[way.index(name) :]
            start = circle.index(min(circle, key=left.__getitem__))
            found.append((*circle[start:], *circle[:start]))
    return tuple(found)


def _parts(conditions: Mapping[str, Named]) -> dict[str, tuple[str, ...]]:
    """Which names each is made of."""
    return {
        name: tuple(
            dict.fromkeys(node.path.removeprefix("seen.") for node in names_in(item.when.written, conditions))
        )
        for name, item in conditions.items()
    }


def _in_order(parts: Mapping[str, tuple[str, ...]]) -> list[str]:
    """The names, each after those it is made of; without those that no order can hold."""
    users: dict[str, list[str]] = {name: [] for name in parts}
    missing = {name: len(inner) for name, inner in parts.items()}
    for name, inner in parts.items():
        for part in inner:
            users[part].append(name)
    order = [name for name in parts if not missing[name]]
    for name in order:  # grows as it is walked
        for user in users[name]:
            missing[user] -= 1
            if not missing[user]:
                order.append(user)
    return order


class _Writer:
    """Writes named conditions out; keeps count of how much comes of it."""

    def __init__(self, machine: HasConditions) -> None:
        self._machine = machine
        self._meaning: dict[str, Expression] = {}  # by name, and by ``seen.`` name
        self._extent: dict[str, tuple[int, int]] = {}  # nodes, and levels inside one another
        self._left = MOST_WRITTEN_OUT
        for name in _in_order(_parts(machine.conditions)):
            written = machine.conditions[name].when.written
            tree = self._tree(written)
            if tree is not None:
                self._meaning |= {name: tree, f"seen.{name}": self.as_seen(tree)}
                self._extent |= dict.fromkeys((name, f"seen.{name}"), self._measure(written))

    def value(self, value: object) -> object:
        """A value of a model with every condition in it written out; the same one if nothing is changed."""
        match value:
            case Condition(written=written):
                tree = self._tree(written)
                if tree is None or tree is written:
                    return value
                return replace(value, tree=tree, named=written)
            case BaseModel():
                fields = {name: getattr(value, name) for name in type(value).model_fields}
                changed = {
                    name: new for name, item in fields.items() if (new := self.value(item)) is not item
                }
                return value.model_copy(update=changed) if changed else value
            case dict():
                entries = {key: self.value(item) for key, item in value.items()}
                return entries if any(entries[key] is not item for key, item in value.items()) else value
            case list():
                items = [self.value(item) for item in value]
                return items if any(a is not b for a, b in zip(items, value, strict=True)) else value
        return value

    def as_seen(self, tree: Expression) -> Expression:
        """The tree over the controller's own views of inputs and outputs."""
        machine = self._machine

        def view(name: Name) -> Name:
            if name.path in machine.inputs or name.path in machine.conditions:
                return Name(f"seen.{name.path}", name.span)
            return Name(f"asked.{name.path}", name.span) if name.path in machine.outputs else name

        return with_names(tree, view)

    def _tree(self, tree: Expression) -> Expression | None:
        """A tree written out; None if it holds what cannot be written out, or would be too large."""
        named = [node.path for node in names_in(tree, self._machine.conditions)]
        if not named:
            return tree
        size, depth = self._measure(tree)
        known = self._extent.keys() >= set(named)
        if not known or depth > DEEPEST or size > min(LARGEST_TREE, self._left):
            return None
        self._left -= size
        return with_names(tree, lambda name: placed(self._meaning.get(name.path, name), name.span))

    def _measure(self, tree: Expression) -> tuple[int, int]:
        """Nodes and depth of a tree, written out; a named condition is a level, as brackets are."""
        if isinstance(tree, Name):
            size, depth = self._extent.get(tree.path, (1, 0))
            return size, depth + 1
        inner = [self._measure(child) for child in children(tree)]
        return 1 + sum(size for size, _ in inner), 1 + max((depth for _, depth in inner), default=0)
