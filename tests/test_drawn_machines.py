"""The machines drawn by number use every key of the page, and what once hid a mistake is among them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from pydantic import BaseModel

from stillgate.controller.expressions.expression import (
    Binary,
    EdgeOf,
    Expression,
    HeldFor,
    Name,
    Not,
    Operator,
    walk,
)
from stillgate.controller.machine_file.machine import (
    Automaton,
    FileSection,
    Flow,
    Machine,
    PartExit,
    Precedence,
    Spin,
    Travel,
)
from whole_oracle.comparing import drawn_machine
from whole_oracle.drawing import draw_machine
from whole_oracle.monitors import conditions_of
from whole_oracle.parts import drives_of

SEEDS = range(300)


def machines() -> list[Machine]:
    return [Machine.model_validate(drawn_machine(seed)) for seed in SEEDS]


def sections(value: object) -> Iterator[FileSection]:
    """Every section of a machine, itself included."""
    if isinstance(value, FileSection):
        yield value
    if isinstance(value, BaseModel):
        for name in type(value).model_fields:
            yield from sections(getattr(value, name))
    elif isinstance(value, dict):
        for item in value.values():
            yield from sections(item)
    elif isinstance(value, list):
        for item in value:
            yield from sections(item)


def subclasses(kind: type[FileSection]) -> Iterator[type[FileSection]]:
    for item in kind.__subclasses__():
        yield item
        yield from subclasses(item)


ABSTRACT = {"Actions", "RequirementBase"}
"""Sections that stand in no file by themselves."""

TOLD_NOTHING = {"note", "why", "title"}
"""Keys for people, which a machine's meaning does not depend on."""


def test_every_key_of_the_page_is_used() -> None:
    used: Counter[tuple[str, str]] = Counter()
    for machine in machines():
        for section in sections(machine):
            used.update((type(section).__name__, name) for name in section.model_fields_set)
    every = {
        (kind.__name__, name)
        for kind in subclasses(FileSection)
        if kind.__name__ not in ABSTRACT and kind.__module__ == FileSection.__module__
        for name in kind.model_fields
        if name not in TOLD_NOTHING
    }
    assert {key for key in every if used[key] < 5} == set()


def test_every_fault_every_function_and_every_operator_is_used() -> None:
    operators: Counter[Operator] = Counter()
    functions: Counter[str] = Counter()
    for machine in machines():
        for requirement in machine.requirements.values():
            for tree in conditions_of(requirement):
                operators.update(node.operator for node in walk(tree) if isinstance(node, Binary))
                functions.update(type(node).__name__ for node in walk(tree))
    assert {item for item in Operator if operators[item] < 5} == set()
    assert {name for name in ("EdgeOf", "HeldFor", "Not", "Truth") if functions[name] < 5} == set()


def test_what_once_hid_a_mistake_is_among_them() -> None:
    found: Counter[str] = Counter()
    for machine in machines():
        found.update(set(features(machine)))
    assert {name: found[name] for name in FEATURES if found[name] < 5} == {}


FEATURES = (
    "a counter copied into a narrower one",
    "when and takes", "when, takes and freely", "takes alone", "freely alone", "two exits of an automaton",
    "a part reads one that stands before it", "a part reads one that stands after it",
    "held over inputs or parts, breaking", "held over inputs or parts, satisfying",
    "held over states, outputs or memory, breaking", "held over states, outputs or memory, satisfying",
    "held beside xor, = or <>", "held for no whole number of ticks",
    "first and since", "a tick of more scans", "a debounced switch of a part", "a switch that senses motion",
    "an interlock with rising, falling or held", "power excluded", "takes_back unlike takes",
    "starts with clocks",
)  # fmt: skip


def features(machine: Machine) -> Iterator[str]:
    """What of the list above a machine has."""
    if machine.check.tick and machine.check.tick > machine.scan:
        yield "a tick of more scans"
    if any(item.fault == "power interrupted" for item in machine.check.exclude):
        yield "power excluded"
    yield from _of_controller(machine)
    yield from _of_parts(machine)
    tick = machine.check.tick or machine.scan
    for requirement in machine.requirements.values():
        if isinstance(requirement, Precedence) and requirement.since is not None:
            yield "first and since"
        key = type(requirement).__name__
        trees = conditions_of(requirement)
        satisfying = {"Always": [0], "Response": [1], "Invariance": [1], "Precedence": [1], "Reach": [0]}
        for number, tree in enumerate(trees):
            yield from _of_held(machine, tree, tick, number not in satisfying.get(key, []))


def _of_controller(machine: Machine) -> Iterator[str]:
    for sequence in machine.sequences.values():
        for state in sequence.states.values():
            for item in state.exits:
                for name, written in item.do.items():
                    source = written.tree.path if isinstance(written.tree, Name) else ""
                    if (
                        source in machine.memory
                        and machine.memory[name].range != machine.memory[source].range
                    ):
                        yield "a counter copied into a narrower one"
    for lock in machine.interlocks:
        if any(isinstance(node, EdgeOf | HeldFor) for node in walk(lock.unless.tree)):
            yield "an interlock with rising, falling or held"


def _of_parts(machine: Machine) -> Iterator[str]:
    order = list(machine.parts)
    for place, (name, part) in enumerate(machine.parts.items()):
        for tree in drives_of(part):
            for node in walk(tree):
                other = node.path.partition(".")[0] if isinstance(node, Name) else ""
                if other in machine.parts and other != name:
                    where = "before" if order.index(other) < place else "after"
                    yield f"a part reads one that stands {where} it"
        for switch, sense in part.senses.items():
            if machine.inputs[switch].debounce:
                yield "a debounced switch of a part"
            if any(
                isinstance(node, Name) and node.path in ("moving", "still", "turning")
                for node in walk(sense.tree)
            ):
                yield "a switch that senses motion"
        if isinstance(part, Travel) and part.takes_back not in (None, part.takes):
            yield "takes_back unlike takes"
        if isinstance(part, Automaton | Flow) and part.starts != "anywhere":
            yield "starts with clocks"
        if isinstance(part, Automaton):
            for state in part.states.values():
                if len(state.exits) > 1:
                    yield "two exits of an automaton"
                yield from (_kind_of(item) for item in state.exits)


def _kind_of(item: PartExit) -> str:
    words = [word for word in ("when", "takes") if getattr(item, word) is not None]
    words += ["freely"] if item.freely else []
    if len(words) == 1:
        return f"{words[0]} alone"
    return f"{', '.join(words[:-1])} and {words[-1]}"


def _of_held(machine: Machine, tree: Expression, tick: int, breaks: bool) -> Iterator[str]:
    match tree:
        case Not(operand=operand):
            yield from _of_held(machine, operand, tick, not breaks)
        case Binary(operator=operator, left=left, right=right):
            both_ways = operator in (Operator.XOR, Operator.EQ, Operator.NE)
            if both_ways and any(isinstance(node, HeldFor) for node in walk(tree)):
                yield "held beside xor, = or <>"
            for side in (left, right):
                yield from _of_held(machine, side, tick, breaks)
        case HeldFor(argument=argument, milliseconds=time):
            read = {node.path.partition(".")[0] for node in walk(argument) if isinstance(node, Name)}
            what = (
                "inputs or parts" if read & {*machine.inputs, *machine.parts} else "states, outputs or memory"
            )
            yield f"held over {what}, {'breaking' if breaks else 'satisfying'}"
            if time % tick:
                yield "held for no whole number of ticks"


def test_the_same_seed_gives_the_same_machine() -> None:
    assert draw_machine(7) == draw_machine(7)
    assert draw_machine(7) != draw_machine(7, attempt=1)
    assert all(isinstance(part, Spin) for part in Machine.model_validate(draw_machine(3)).parts.values())
