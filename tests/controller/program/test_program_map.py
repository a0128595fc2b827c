"""A map over a Program reaches every term and statement in it, and changes nothing else."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import replace
from enum import Enum

from machines_strategy import LARGE, apart, machine_dicts
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Assign,
    Begin,
    Block,
    Cell,
    Choose,
    Complement,
    Constant,
    If,
    Lookup,
    Observation,
    Read,
    Ref,
    Scope,
    Statement,
    Switch,
    Term,
)
from stillgate.controller.program.program_map import (
    map_block,
    map_controller,
    map_term,
    without_signals,
)

A, B = (Cell(name, 0, 3, 0, Scope.CONTROLLER) for name in "ab")
ASKED = Read("door", Observation.LEVEL)


def nodes_in(value: object) -> Iterator[object]:
    """Everything that a value holds, found by its fields alone, whatever they are called."""
    yield value
    if isinstance(value, tuple):
        for item in value:
            yield from nodes_in(item)
    elif dataclasses.is_dataclass(value) and not isinstance(value, Cell | Enum):
        for field in dataclasses.fields(value):
            yield from nodes_in(getattr(value, field.name))


def programs() -> Iterator[ControllerProgram]:
    for data in apart(machine_dicts(LARGE), 40):
        yield lower_controller(Machine.model_validate(data))


def test_a_change_reaches_every_read_that_any_field_of_a_program_holds() -> None:
    def other(term: Term) -> Term:
        return replace(term, signal=f"second__{term.signal}") if isinstance(term, Read) else term

    in_actions = 0
    for program in programs():
        mapped = map_controller(program, term=other)
        before = [node.signal for node in nodes_in(program) if isinstance(node, Read)]
        after = [node.signal for node in nodes_in(mapped) if isinstance(node, Read)]
        assert [f"second__{name}" for name in before] == after
        ways = [way for item in program.sequences for ways in (item.overrides, *item.exits) for way in ways]
        in_actions += sum(isinstance(node, Read) for way in ways for node in nodes_in(way.actions))
    assert in_actions > 10  # where a rewriting by hand once left them as they were


def test_a_change_of_statements_reaches_every_one() -> None:
    kinds = (Assign, If, Switch, Choose, Begin)
    for program in programs():
        met: list[Statement] = []

        def look(statement: Statement, met: list[Statement] = met) -> Block:
            met.append(statement)
            return (statement,)

        assert map_controller(program, statement=look) == program
        assert [item for item in met if isinstance(item, kinds)] == [
            node for node in nodes_in(program) if isinstance(node, kinds)
        ]


def test_operands_are_changed_before_what_they_belong_to() -> None:
    def simpler(term: Term) -> Term:
        match term:
            case Read():
                return TRUE
            case Complement(operand=Constant(value=value)):
                return Constant(1 - value)
            case _:
                return term

    assert map_term(Complement(Complement(ASKED)), simpler) == TRUE
    assert map_term(Lookup((5, 7), Complement(ASKED)), simpler) == Lookup((5, 7), FALSE)


def test_a_statement_is_seen_as_it_was_and_what_stands_for_it_is_not_asked_about_again() -> None:
    seen: list[Statement] = []

    def twice(statement: Statement) -> Block:
        seen.append(statement)
        return (statement, statement) if isinstance(statement, Assign) else (statement,)

    block = (If(ASKED, (Assign(A, ASKED),)), Begin(B, ((ASKED, 1),)))
    changed = map_block(block, term=lambda node: TRUE if node == ASKED else node, statement=twice)
    assert changed == (If(TRUE, (Assign(A, TRUE), Assign(A, TRUE))), Begin(B, ((TRUE, 1),)))
    assert seen == [block[0], Assign(A, ASKED), block[1]]


def test_a_statement_can_be_left_out_at_any_depth() -> None:
    block = (Switch(A, ((0, (Assign(B, TRUE), Assign(A, Ref(B)))), (1, (Assign(B, FALSE),)))),)

    def not_to_b(statement: Statement) -> Block:
        return () if isinstance(statement, Assign) and statement.cell == B else (statement,)

    assert map_block(block, statement=not_to_b) == (Switch(A, ((0, (Assign(A, Ref(B)),)), (1, ()))),)


def test_a_signal_goes_with_its_memory_and_its_clocks() -> None:
    machine = Machine.model_validate(
        {
            "machine": "lamp",
            "scan": "10 ms",
            "inputs": {"door": {"from": "operator"}, "key": {"from": "operator", "debounce": "40 ms"}},
            "outputs": {"lamp": {}},
            "sequences": {
                "main": {
                    "start": "dark",
                    "states": {"dark": {"exits": [{"to": "dark", "when": "rising(door)"}]}},
                }
            },
        }
    )
    program = lower_controller(machine)
    assert [item.cell.name for item in program.clocks] == ["door.run", "key.differs"]
    program = without_signals(program, ["key"])
    assert [item.name for item in program.signals] == ["door"]
    assert [item.cell.name for item in program.clocks] == ["door.run"]
