"""Blocks as Python functions do what blocks as closures do, question for question."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from closed_gate import quick
from machines_strategy import machines
from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.evaluate import BlockCompiler, Layout, Values, answer_from_cells
from stillgate.controller.program.evaluate_fast import FastCompiler
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import (
    Assign,
    Begin,
    Block,
    Cell,
    Choose,
    Complement,
    Constant,
    If,
    Lookup,
    Note,
    NoteKind,
    Observation,
    Operation,
    Ref,
    Remark,
    Scope,
    Switch,
    Term,
    TimeConstant,
)

CELLS = tuple(Cell(name, -99, 99, 0, Scope.PART) for name in "abc")
TRUTHS = tuple(Cell(name, 0, 1, 0, Scope.PART) for name in "xyz")


class Host:
    """Answers by chance, the same for both, and keeps what was asked and noted."""

    def __init__(self, number: int) -> None:
        self.chance, self.said = random.Random(number), list[str]()

    def choose(self, cell: Cell, count: int) -> int:
        self.said.append(f"choose {cell.name} of {count}")
        return self.chance.randrange(count)

    def read(self, values: Values, signal: str, observation: Observation, ticks: int) -> int:
        raise AssertionError("no inputs here")

    def note(self, kind: NoteKind, index: int) -> None:
        self.said.append(f"note {kind.value} {index}")


truth_leaf = st.one_of(
    st.sampled_from(TRUTHS).map(Ref),
    st.sampled_from((0, 1)).map(Constant),
)
number_leaf = st.one_of(
    st.sampled_from(CELLS).map(Ref),
    st.integers(-4, 4).map(Constant),
    st.integers(0, 90).map(TimeConstant),
    st.sampled_from(TRUTHS).map(lambda cell: Lookup((3, -2), Ref(cell))),
)
small = st.builds(Operation, st.sampled_from((Operator.ADD, Operator.SUB)), number_leaf, number_leaf)
compared = st.builds(
    Operation,
    st.sampled_from((Operator.EQ, Operator.NE, Operator.LT, Operator.LE, Operator.GT, Operator.GE)),
    st.one_of(number_leaf, small),
    st.one_of(number_leaf, small),
)
truths: st.SearchStrategy[Term] = st.recursive(
    st.one_of(truth_leaf, compared),
    lambda inner: st.one_of(
        inner.map(Complement),
        st.builds(
            Operation,
            st.sampled_from((Operator.AND, Operator.OR, Operator.XOR, Operator.EQ, Operator.NE)),
            inner,
            inner,
        ),
    ),
    max_leaves=8,
)
options = st.lists(st.tuples(truths, st.integers(1, 5)), max_size=3).map(tuple)
plain_statements = st.one_of(
    st.builds(Assign, st.sampled_from(TRUTHS), truths),
    st.builds(Assign, st.sampled_from(CELLS), st.one_of(number_leaf, small)),
    st.builds(Choose, st.sampled_from(TRUTHS), st.just(2)),
    st.builds(Begin, st.sampled_from(CELLS), options),
    st.builds(Note, st.sampled_from(NoteKind), st.integers(0, 5)),
    st.just(Remark("\n):  what a user wrote")),
)
blocks: st.SearchStrategy[Block] = st.recursive(
    st.lists(plain_statements, max_size=4).map(tuple),
    lambda inner: st.lists(
        st.one_of(
            plain_statements,
            st.builds(If, truths, inner, inner),
            st.builds(
                Switch,
                st.sampled_from((*TRUTHS, *CELLS)),
                st.dictionaries(st.integers(-2, 3), inner, max_size=4).map(lambda arms: tuple(arms.items())),
            ),
        ),
        max_size=4,
    ).map(tuple),
    max_leaves=6,
)
starts = st.tuples(*[st.integers(-3, 3)] * 3, *[st.integers(0, 1)] * 3)


def run(
    compiler: type[BlockCompiler], block: Block, start: list[int], number: int
) -> tuple[list[int], list[str]]:
    """Values after a block and what the host was told."""
    host = Host(number)
    values = list(start)
    compiler(Layout((*CELLS, *TRUTHS)), 20, host).block(block)(values)
    return values, host.said


@quick(150)
@given(block=blocks, start=starts, number=st.integers(0, 9))
def test_any_block_does_the_same_and_asks_the_same(block: Block, start: tuple[int, ...], number: int) -> None:
    assert run(FastCompiler, block, list(start), number) == run(BlockCompiler, block, list(start), number)


@pytest.mark.parametrize("levels", [50, 90, 150])
def test_what_python_does_not_take_is_run_all_the_same(levels: int) -> None:
    """Python takes 100 levels of indents and 200 of parentheses."""
    term: Term = Ref(TRUTHS[0])
    block: Block = (Note(NoteKind.BROKEN, 7),)
    for number in range(levels):
        term = Operation((Operator.AND, Operator.XOR)[number % 2], Complement(term), Ref(TRUTHS[number % 3]))
        block = (If(Ref(TRUTHS[0]), block, (Choose(TRUTHS[1], 2), Note(NoteKind.BROKEN, 1))),)
    block = (*block, Assign(TRUTHS[2], term))
    start = [0, 0, 0, 1, 1, 0]
    assert run(FastCompiler, block, start, 1) == run(BlockCompiler, block, start, 1)


@quick(40)
@given(machine=machines(), number=st.integers(0, 99))
def test_the_controllers_of_random_machines_scan_alike(machine: Machine, number: int) -> None:
    """Every kind of observation of an input is answered from the same cells."""
    program = lower_controller(machine)
    chance = random.Random(number)

    class Answering(Host):
        def read(self, values: Values, signal: str, observation: Observation, ticks: int) -> int:
            return self.answers[signal](values, observation, ticks)

    layouts, hosts, blocks, values = [], [], [], []
    sensing = tuple(item for signal in program.signals for item in signal.sense)
    for kind in (BlockCompiler, FastCompiler):
        layout, host = Layout(program.cells), Answering(1)
        host.answers = {signal.name: answer_from_cells(signal, layout) for signal in program.signals}  # type: ignore[attr-defined]
        compiler = (
            BlockCompiler(layout, machine.scan, host)
            if kind is BlockCompiler
            else FastCompiler(layout, machine.scan, host, program.signals)
        )
        for signal in program.signals:
            layout.slot(signal.pin)
        blocks.append(compiler.block((*sensing, *program.observe, *program.decide)))
        layouts.append(layout)
        hosts.append(host)
        values.append(layout.start_values())
    for _ in range(40):
        for signal in program.signals:
            level = chance.randrange(2)
            for layout, held in zip(layouts, values, strict=True):
                held[layout.slot(signal.pin)] = level
        for block, held in zip(blocks, values, strict=True):
            block(held)
        first, second = (
            {cell.name: held[layout.slot(cell)] for cell in program.cells}
            for layout, held in zip(layouts, values, strict=True)
        )
        assert first == second
        assert hosts[0].said == hosts[1].said
