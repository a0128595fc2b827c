"""The Python evaluator of step programs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.evaluate import BlockCompiler, Layout, OutOfRange, Values, answer_from_cells
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Assign,
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
    Read,
    Ref,
    Remark,
    Scope,
    Switch,
    Term,
    TimeConstant,
)

X = Cell("x", -3, 9, 0, Scope.PART)
Y = Cell("y", 0, 1, 0, Scope.PART)


class Surroundings:
    """Answers every question with 1 and remembers what was asked, in order."""

    def __init__(self) -> None:
        self.asked: list[str] = []

    def choose(self, cell: Cell, count: int) -> int:
        self.asked.append(f"choose {cell.name} of {count}")
        return count - 1

    def read(self, values: Values, signal: str, observation: Observation, ticks: int) -> int:
        self.asked.append(f"read {signal} {observation.value} {ticks}")
        return 1

    def note(self, kind: NoteKind, index: int) -> None:
        self.asked.append(f"note {kind.value} {index}")


def run(block: Block, *, period: int = 10) -> tuple[dict[str, int], list[str]]:
    """Values of x and y after a block, and what it asked."""
    host, layout = Surroundings(), Layout((X, Y))
    code = BlockCompiler(layout, period, host).block(block)
    values = layout.start_values()
    code(values)
    return {"x": values[0], "y": values[1]}, host.asked


def value(term: Term, *, period: int = 10) -> int:
    """Value of a term."""
    layout = Layout((X, Y))
    return BlockCompiler(layout, period, Surroundings()).term(term)(layout.start_values())


PYTHON: dict[Operator, Callable[[int, int], Any]] = {
    Operator.XOR: lambda a, b: a ^ b,
    Operator.EQ: lambda a, b: a == b,
    Operator.NE: lambda a, b: a != b,
    Operator.LT: lambda a, b: a < b,
    Operator.LE: lambda a, b: a <= b,
    Operator.GT: lambda a, b: a > b,
    Operator.GE: lambda a, b: a >= b,
    Operator.ADD: lambda a, b: a + b,
    Operator.SUB: lambda a, b: a - b,
    Operator.AND: lambda a, b: a and b,
    Operator.OR: lambda a, b: a or b,
}


@given(st.sampled_from(list(Operator)), st.integers(0, 1), st.integers(0, 1))
def test_operators_on_truths_follow_python(operator: Operator, left: int, right: int) -> None:
    """The truth tables."""
    term = Operation(operator, Constant(left), Constant(right))
    assert value(term) == int(PYTHON[operator](left, right))


@given(
    st.sampled_from([item for item in Operator if item not in (Operator.AND, Operator.OR, Operator.XOR)]),
    st.integers(-9, 9),
    st.integers(-9, 9),
)
def test_operators_on_numbers_follow_python(operator: Operator, left: int, right: int) -> None:
    """Sums, differences, comparisons."""
    assert value(Operation(operator, Constant(left), Constant(right))) == int(PYTHON[operator](left, right))


def test_times_become_ticks_rounded_up() -> None:
    """The smallest n with n * period >= time."""
    assert [value(TimeConstant(time)) for time in (0, 1, 10, 11, 25)] == [0, 1, 1, 2, 3]
    assert value(TimeConstant(25), period=100) == 1


def test_complement_and_lookup() -> None:
    """Not, and an entry of a constant table."""
    assert (value(Complement(TRUE)), value(Complement(FALSE))) == (0, 1)
    assert value(Lookup((5, 6, 7), Constant(2))) == 7


def test_and_and_or_stop_early_so_nothing_needless_is_asked() -> None:
    """The order of questions is part of the meaning of an exploration."""
    a, b = Read("a", Observation.LEVEL), Read("b", Observation.HELD, 25)
    assert run((Assign(Y, Operation(Operator.AND, FALSE, a)),))[1] == []
    assert run((Assign(Y, Operation(Operator.OR, TRUE, a)),))[1] == []
    assert run((Assign(Y, Operation(Operator.AND, a, b)),))[1] == ["read a level 0", "read b held 3"]


def test_statements_run_in_order_and_questions_are_asked_where_they_stand() -> None:
    """If, Switch, Choose, Note and Remark."""
    block: Block = (
        Remark("nothing happens here"),
        Choose(X, 3),
        Note(NoteKind.COVERED, 7),
        Switch(X, ((1, (Assign(X, Constant(-1)),)), (2, (Assign(X, Constant(9)),)))),
        If(Operation(Operator.EQ, Ref(X), Constant(9)), (Assign(Y, TRUE),), (Note(NoteKind.BROKEN, 0),)),
    )
    assert run(block) == ({"x": 9, "y": 1}, ["choose x of 3", "note covered 7"])


def test_a_switch_without_an_arm_for_the_value_does_nothing() -> None:
    """As for a sequence without power."""
    assert run((Switch(X, ((5, (Assign(Y, TRUE),)),)),))[0] == {"x": 0, "y": 0}


def test_a_value_outside_a_cells_range_is_a_defect_that_shows() -> None:
    """Never a wrap."""
    with pytest.raises(OutOfRange, match=r"x := 10, outside -3\.\.9"):
        run((Assign(X, Constant(10)),))


def test_a_controller_does_not_see_the_healthy_circuit() -> None:
    """That observation belongs to requirements."""
    machine = Machine.model_validate(
        {"machine": "m", "scan": "10 ms", "inputs": {"a": {}},
         "sequences": {"s": {"start": "x", "states": {"x": {"exits": [{"when": "a", "to": "x"}]}}}}}
    )  # fmt: skip
    (signal,) = lower_controller(machine).signals
    layout = Layout()
    answer = answer_from_cells(signal, layout)
    with pytest.raises(ValueError, match="not the controller's to see"):
        answer(layout.start_values(), Observation.CIRCUIT, 0)
