"""What statements and exits are said to read and overwrite is what they do."""

from __future__ import annotations

import random

import pytest

from machines_strategy import REMEMBERING, SMALL, Size, apart, machine_dicts
from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.field_types import Ticks
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program import footprint
from stillgate.controller.program.controller_program import ControllerProgram, ExitProgram, SequenceProgram
from stillgate.controller.program.evaluate import BlockCompiler, Layout, Values
from stillgate.controller.program.footprint import (
    Footprint,
    cells_read,
    cells_written,
    overwritten_by_exit,
    read_by_exit,
    written_by_exit,
)
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Assign,
    Cell,
    Choose,
    Constant,
    If,
    NoteKind,
    Observation,
    Operation,
    Ref,
    Scope,
    Switch,
)


def cell(name: str) -> Cell:
    return Cell(name, 0, 3, 0, Scope.CONTROLLER)


A, B, C, D = map(cell, "abcd")


def test_a_block_reads_what_it_has_not_written_in_every_case() -> None:
    found = Footprint({})
    block = (
        Assign(A, Ref(B)),
        If(Operation(Operator.EQ, Ref(A), TRUE), (Assign(C, FALSE),), (Choose(D, 2), Assign(C, Ref(D)))),
        Switch(C, ((0, (Assign(B, Ref(D)),)),)),
    )
    certain = found.block(block)
    assert set(found.reads) == {B, D}  # d is read where only one branch has chosen it
    assert set(found.writes) == {A, B, C, D}
    assert certain == {A, C}


def test_a_switch_reads_the_cell_it_switches_on_and_does_not_write_it() -> None:
    block = (Switch(A, ((1, (Assign(B, TRUE),)),)),)
    assert cells_read(block) == {A}
    assert list(cells_written(block)) == [B]


@pytest.mark.parametrize(
    ("value", "overwrites"),
    [
        (Constant(3), True),
        (Constant(4), False),
        (Ref(B), True),
        (Ref(Cell("wide", 0, 4, 0, Scope.CONTROLLER)), False),
        (Ref(Cell("below", -1, 3, 0, Scope.CONTROLLER)), False),
        (Ref(Cell("narrow", 1, 2, 0, Scope.CONTROLLER)), True),
        (Operation(Operator.ADD, Ref(B), Constant(1)), False),
        (Operation(Operator.LT, Ref(B), Constant(9)), True),
    ],
)
def test_an_exit_overwrites_only_what_its_value_cannot_leave(value: object, overwrites: bool) -> None:
    """What may leave the range keeps the old value, and so reads it."""
    item = ExitProgram(TRUE, None, 0, ((A, value),), 0)  # type: ignore[arg-type]
    assert written_by_exit(item) == {A}
    assert (A in overwritten_by_exit(item)) is overwrites
    assert (A in read_by_exit(item)) is not overwrites


# -- random machines -----------------------------------------------------------------------------


class _Levels:
    """Answers a run's questions about inputs, the same every time; keeps which exits were taken."""

    def __init__(self) -> None:
        self.number = 0
        self.taken: list[int] = []

    def choose(self, cell: Cell, count: int) -> int:
        raise AssertionError("a controller chooses nothing")

    def read(self, values: Values, signal: str, observation: Observation, ticks: Ticks) -> int:
        return random.Random(f"{self.number} {signal} {observation} {ticks}").randrange(2)

    def note(self, kind: NoteKind, index: int) -> None:
        if kind is NoteKind.COVERED:
            self.taken.append(index)


def _disagreements(machine: Machine, rounds: int) -> list[str]:
    """Where the old value of a memory that is said to be unread changes what an exit leaves.

    The lowered statements of one scan run from two situations that differ in one memory only.
    """
    program = lower_controller(machine)
    host = _Levels()
    layout = Layout(program.cells)
    run = BlockCompiler(layout, program.period, host).block(program.decide)
    chance = random.Random(1)
    found: list[str] = []
    for sequence in program.sequences:
        for memory in program.memory:
            for _ in range(rounds):
                values = layout.start_values()
                for one in program.cells:
                    values[layout.slot(one)] = chance.randint(one.low, one.high)
                for it in program.sequences:
                    values[layout.slot(it.active)] = chance.randrange(len(it.states))
                host.number += 1
                if _reads(program, sequence, memory, values[layout.slot(sequence.active)]):
                    continue
                ends: list[tuple[list[int], Values]] = []
                for old in (memory.low, memory.high):
                    host.taken, now = [], list(values)
                    now[layout.slot(memory)] = old
                    run(now)
                    ends.append((host.taken, now))
                marks = {item.mark: item for item in _ways(sequence)}
                (taken, first), (again, second) = ends
                if [mark for mark in taken if mark in marks] != [mark for mark in again if mark in marks]:
                    found.append(f"{sequence.name} takes another exit by {memory.name}")
                for mark in set(taken) & set(marks):
                    slot = layout.slot(memory)
                    if memory in overwritten_by_exit(marks[mark]) and first[slot] != second[slot]:
                        found.append(f"{program.exit_marks[mark]} keeps {memory.name}")
    return found


def _ways(sequence: SequenceProgram) -> list[ExitProgram]:
    return [*sequence.overrides, *(item for items in sequence.exits for item in items)]


def _reads(program: ControllerProgram, sequence: SequenceProgram, memory: Cell, state: int) -> bool:
    """Whether the sequence is said to read the memory in this state."""
    items = (*sequence.overrides, *sequence.exits[state])
    return any(memory in read_by_exit(item) for item in items)


@pytest.mark.parametrize("size", [SMALL, REMEMBERING], ids=["small", "remembering"])
def test_what_an_exit_is_said_to_overwrite_its_statements_overwrite(size: Size) -> None:
    for item in apart(machine_dicts(size), 15, first=500):
        assert _disagreements(Machine.model_validate(item), 40) == []


def test_an_exit_that_is_said_to_overwrite_what_it_keeps_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(footprint, "may_leave_range", lambda cell, value: False)
    found = [_disagreements(Machine.model_validate(item), 40)
             for item in apart(machine_dicts(REMEMBERING), 15, first=500)]  # fmt: skip
    assert sum(bool(item) for item in found) >= 5
