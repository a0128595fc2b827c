"""Truths and numbers: what joins with what, and between which bounds."""

from __future__ import annotations

import pytest

from machine_texts import YARD_GATE
from stillgate.controller.errors import TextError
from stillgate.controller.expressions.grammar import parse_expression
from stillgate.controller.reading.reader import read_machine_text
from stillgate.controller.rules.kinds import TRUTH, Kind, ValueType, problems_in, type_of
from stillgate.controller.rules.namespace import Context, Namespace

NAMES = Namespace(read_machine_text(YARD_GATE).machine)


def number(low: int, high: int) -> ValueType:
    return ValueType(Kind.NUMBER, low, high)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("gate_open", TRUTH),
        ("armed", TRUTH),
        ("true", TRUTH),
        ("gate.opening", TRUTH),
        ("rail", number(0, 5)),
        ("7", number(7, 7)),
        ("rail + 3", number(3, 8)),
        ("3 - rail", number(-2, 3)),
        ("rail - rail", number(-5, 5)),
        ("rail > 3", TRUTH),
        ("rail + 1 <= 3 - rail", TRUTH),
        ("rail = 3", TRUTH),
        ("armed = true", TRUTH),
        ("armed <> gate_open", TRUTH),
        ("gate_open xor not armed and rail > 0", TRUTH),
        ("rising(gate_open and rail > 3)", TRUTH),
        ("held(gate.opening, 1 s)", TRUTH),
    ],
)
def test_expressions_have_a_kind_and_bounds(text: str, kind: ValueType) -> None:
    assert type_of(NAMES, parse_expression(text), Context.GUARD) == kind


@pytest.mark.parametrize(
    ("text", "context", "message", "marked"),
    [
        ("rail", Context.GUARD, "this must be a truth, and this is a number", "rail"),
        ("rail and armed", Context.GUARD, "'and' needs a truth", "rail"),
        ("armed or rail + 1", Context.GUARD, "'or' needs a truth", "rail + 1"),
        ("armed xor 1", Context.GUARD, "'xor' needs a truth", "1"),
        ("not rail", Context.GUARD, "'not' needs a truth", "rail"),
        ("armed + 1 > 2", Context.GUARD, "'+' needs a number, and this is a truth", "armed"),
        ("rail < armed", Context.GUARD, "'<' needs a number", "armed"),
        ("1 < rail < 3", Context.GUARD, "'<' needs a number", "1 < rail"),
        ("rail = armed", Context.GUARD, "'=' compares a number with a truth", "rail = armed"),
        ("armed <> 1", Context.GUARD, "'<>' compares a truth with a number", "armed <> 1"),
        ("rising(rail)", Context.GUARD, "'rising' needs a truth", "rail"),
        ("held(rail, 1 s)", Context.GUARD, "'held' needs a truth", "rail"),
        (
            "rising(held(armed, 1 s))",
            Context.GUARD,
            "'held' cannot stand inside 'rising'",
            "held(armed, 1 s)",
        ),
        ("held(a_b and falling(armed), 1 s)", Context.GUARD, "unknown name 'a_b'", "a_b"),
        ("rising(motor_open)", Context.INTERLOCK, "in an interlock 'rising' reads inputs", "motor_open"),
        ("rising(at open)", Context.PLANT, "'rising' cannot stand in a part's condition", "rising(at open)"),
        ("held(still, 1 s)", Context.SENSE, "'held' cannot stand in what a part senses", "held(still, 1 s)"),
        (
            "rising(motor_open)",
            Context.DRIVE,
            "'rising' cannot stand in what drives a part",
            "rising(motor_open)",
        ),
        ("at open", Context.GUARD, "'at' cannot stand in a guard", "open"),
        (
            "rail + 2147483647 > 0",
            Context.GUARD,
            "can leave the 32-bit range: 2147483647..2147483652",
            "rail + 2147483647",
        ),
    ],
)
def test_what_does_not_join_is_refused_at_its_place(
    text: str, context: Context, message: str, marked: str
) -> None:
    tree = parse_expression(text)
    first = problems_in(NAMES, tree, context, "leaf")[0]
    assert message in first.message
    assert text[first.start : first.end] == marked


def test_all_independent_problems_of_one_expression_are_found() -> None:
    tree = parse_expression("rail and gate_opne or not leaf.moving and rising(rail)")
    assert [problem.message.split(",")[0] for problem in problems_in(NAMES, tree, Context.GUARD)] == [
        "'and' needs a truth",
        "unknown name 'gate_opne'",
        "'leaf.moving' is known to the simulation and to requirements",
        "'rising' needs a truth",
    ]


def test_an_unknown_name_causes_no_second_problem() -> None:
    for text in ("nothing + 1 > 2", "nothing = 3", "not nothing", "rising(nothing)"):
        (problem,) = problems_in(NAMES, parse_expression(text), Context.GUARD)
        assert problem.message == "unknown name 'nothing'"


def test_a_number_may_be_asked_for() -> None:
    assert problems_in(NAMES, parse_expression("rail + 1"), Context.GUARD, wanted=Kind.NUMBER) == ()
    (problem,) = problems_in(NAMES, parse_expression("armed"), Context.GUARD, wanted=Kind.NUMBER)
    assert problem.message == "this must be a number, and this is a truth"


def test_the_type_of_a_wrong_expression_is_its_first_problem() -> None:
    with pytest.raises(TextError, match="unknown name 'nothing'"):
        type_of(NAMES, parse_expression("nothing and rail"), Context.GUARD)


def test_edges_may_stand_in_guards_interlocks_and_requirements() -> None:
    tree = parse_expression("rising(gate_open)")
    for context in (Context.GUARD, Context.INTERLOCK, Context.REQUIREMENT):
        assert type_of(NAMES, tree, context) == TRUTH
