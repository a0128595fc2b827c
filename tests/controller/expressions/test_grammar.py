"""Expression text to tree: precedence, spelling, refusals, limits."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import product
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillgate.controller.errors import TextError
from stillgate.controller.expressions.expression import (
    At,
    Binary,
    Edge,
    EdgeOf,
    Expression,
    HeldFor,
    Name,
    Not,
    Number,
    Operator,
    Span,
    Truth,
    canonical,
    walk,
)
from stillgate.controller.expressions.grammar import (
    DEEPEST,
    KEYWORDS,
    LONGEST_TEXT,
    OTHER_FUNCTIONS,
    WRONG_SYMBOLS,
    parse_expression,
)

NOWHERE = Span(0, 0)

PRECEDENCE = [
    ["or"],
    ["xor"],
    ["and", "&"],
    ["=", "<>"],
    ["<", ">", "<=", ">="],
    ["+", "-"],
]
"""Binary operators, loosest first: IEC 61131-3 edition 2, Annex B.3.1 (and Table 52)."""

RANK = {operator: rank for rank, row in enumerate(PRECEDENCE) for operator in row}


def bare(tree: Any) -> Any:
    """A tree without its places."""
    changes = {
        item.name: bare(getattr(tree, item.name))
        for item in fields(tree)
        if item.name in ("operand", "left", "right", "argument")
    }
    return replace(tree, span=NOWHERE, **changes)


def same(left: str, right: str) -> bool:
    return bool(bare(parse_expression(left)) == bare(parse_expression(right)))


@pytest.mark.parametrize(("first", "second"), list(product(RANK, repeat=2)))
def test_operators_bind_as_in_the_published_grammar(first: str, second: str) -> None:
    """Source: IEC 61131-3 edition 2, Annex B.3.1; equal rank binds from left to right (Table 52)."""
    left_first = RANK[first] >= RANK[second]
    bracketed = f"(a {first} b) {second} c" if left_first else f"a {first} (b {second} c)"
    assert same(f"a {first} b {second} c", bracketed)


@pytest.mark.parametrize("operator", RANK)
def test_not_binds_tighter_than_every_binary_operator(operator: str) -> None:
    """Source: IEC 61131-3 edition 2, Annex B.3.1: unary_expression below every binary one."""
    assert same(f"not a {operator} b", f"(not a) {operator} b")


def test_equality_binds_looser_than_order() -> None:
    """Source: IEC 61131-3 edition 2, Annex B.3.1; the case where other languages differ."""
    assert same("a < b = c < d", "(a < b) = (c < d)")


@pytest.mark.parametrize("spelling", ["and", "AND", "And", "aNd"])
def test_keywords_may_be_written_in_any_case(spelling: str) -> None:
    """Source: IEC 61131-3, 2.1.3: case is not significant in keywords."""
    assert same(f"a {spelling} b", "a and b")


def test_ampersand_is_and() -> None:
    """Source: IEC 61131-3 edition 2, Annex B.3.1: '&' or 'AND'."""
    assert same("a & b", "a and b")


@pytest.mark.parametrize(
    ("text", "tree"),
    [
        ("a", Name("a", NOWHERE)),
        ("gate.resting", Name("gate.resting", NOWHERE)),
        ("orange", Name("orange", NOWHERE)),
        ("notx", Name("notx", NOWHERE)),
        ("at_open", Name("at_open", NOWHERE)),
        ("12", Number(12, NOWHERE)),
        ("1_000", Number(1000, NOWHERE)),
        ("-3", Number(-3, NOWHERE)),
        ("TRUE", Truth(True, NOWHERE)),
        ("false", Truth(False, NOWHERE)),
        ("at open", At("open", NOWHERE)),
        ("rising(a)", EdgeOf(Edge.RISING, Name("a", NOWHERE), NOWHERE)),
        ("Falling( a )", EdgeOf(Edge.FALLING, Name("a", NOWHERE), NOWHERE)),
        ("held(a, 1.5 s)", HeldFor(Name("a", NOWHERE), 1500, NOWHERE)),
        ("held(a, T#500ms)", HeldFor(Name("a", NOWHERE), 500, NOWHERE)),
        ("a (* a remark *) ", Name("a", NOWHERE)),
    ],
)
def test_each_form_becomes_its_node(text: str, tree: Expression) -> None:
    assert bare(parse_expression(text)) == tree


def test_every_node_knows_the_characters_it_came_from() -> None:
    text = "  not (open_button or x)  and held(y, 20 ms) = true"
    places = {canonical(node): text[node.span.start : node.span.end] for node in walk(parse_expression(text))}
    assert places["open_button"] == "open_button"
    assert places["open_button or x"] == "open_button or x"
    assert places["held(y, 20 ms)"] == "held(y, 20 ms)"
    assert places["not (open_button or x)"] == "not (open_button or x)"
    assert places["true"] == "true"


WRONG = [
    # text, message, hint, the characters marked
    ("", "the expression is empty", "say 'true'", ""),
    ("  ", "the expression is empty", "say 'true'", " "),
    ("a or", "ends too early: expected a name, a number, 'not' or '('", "", ""),
    ("not", "ends too early: expected a name", "", ""),
    ("(a or b", "ends too early: expected ')' or an operator", "", ""),
    ("rising", "ends too early: expected '('", "", ""),
    ("a)", "there is no '(' for this ')'", "", ")"),
    ("or", "'or' does not belong here: expected a name", "", "or"),
    ("a b", "'b' does not belong here: expected an operator such as 'and', or the end", "", "b"),
    ("a adn b", "'adn' does not belong here", "did you mean 'and'?", "adn"),
    ("nott a", "'a' does not belong here", "did you mean 'not' instead of 'nott'?", "a"),
    ("a is b", "'is' does not belong here", "did you mean '='?", "is"),
    ("rizing(a)", "'rizing' is not a function", "did you mean 'rising'?", "rizing"),
    ("sqrt(a)", "'sqrt' is not a function", "there are rising(x), falling(x) and held(x, 500 ms)", "sqrt"),
    ("held(a, 500)", "expected a time such as 500 ms", "say '500 ms'", "500"),
    ("held(a, 5 sec)", "expected a time such as 500 ms", "say '5 s'", "5"),
    ("held(a)", "expected ',' and a time", "", ")"),
    ("held(a 5 ms)", "expected ',' and a time", "a time stands only in held", "5 ms"),
    ("held(a, 0.5 ms)", "finer than a millisecond", "say '1 ms'", "0.5 ms"),
    ("held(a, T#5x)", "no unit here", "T#1h30m", "5x"),
    ("rising(a, 5 ms)", "',' does not belong here", "rising(x) and falling(x) take one thing", ","),
    ("a > 3 s", "'3 s' does not belong here", "a time stands only in held", "3 s"),
    ("a > 3 sec", "'sec' does not belong here", "say '3 s'", "sec"),
    ("a > 1.5", "1.5 is not a whole number", "only whole numbers", "1.5"),
    ("a > 99999999999", "is not a number up to 2147483647", "", "99999999999"),
    ("a > 1__0", "is not a number up to", "", "1__0"),
    ("- a", "'a' does not belong here: expected a number", "say '0 - a'", "a"),
    ("a < > b", "'>' does not belong here", "", ">"),
    ("'a'", "''' has no meaning", "names stand without quotes", "'"),
    ("\u201ca\u201d", "'\u201c' has no meaning", "names stand without quotes", "\u201c"),
    ("gate . x", "'.' has no meaning", "no space around its dot", "."),
    ("grün", "'ü' has no meaning", "letters a to z", "ü"),
    ("a # b", "'#' has no meaning", "T#500ms", "#"),
    ("a \x07", "character U+0007 has no meaning", "", "\x07"),
    ("at leaf.open", "'at' names a place of this part only", "say 'at open'", "leaf.open"),
    ("a and at", "ends too early: expected a name", "", ""),
    ("a and rising", "ends too early: expected '('", "", ""),
    ("a rising(b)", "'rising' does not belong here", "is a word of the language", "rising"),
]


@pytest.mark.parametrize(("text", "message", "hint", "marked"), WRONG)
def test_what_is_no_expression_is_refused_at_its_place(
    text: str, message: str, hint: str, marked: str
) -> None:
    with pytest.raises(TextError) as caught:
        parse_expression(text)
    error = caught.value
    assert message in error.message
    assert hint in error.hint
    assert text[error.start : error.end] == marked


@pytest.mark.parametrize(("symbol", "hint"), WRONG_SYMBOLS.items())
def test_spellings_of_other_languages_are_answered_with_the_right_one(symbol: str, hint: str) -> None:
    text = f"a {symbol} b"
    with pytest.raises(TextError, match="is not an operator here") as caught:
        parse_expression(text)
    assert caught.value.hint == hint
    assert text[caught.value.start : caught.value.end] == symbol


@pytest.mark.parametrize(("block", "function"), OTHER_FUNCTIONS.items())
def test_function_blocks_are_answered_with_the_function(block: str, function: str) -> None:
    """Source of the block names: IEC 61131-3 edition 2, Tables 35 and 37."""
    with pytest.raises(TextError, match="is not a function") as caught:
        parse_expression(f"{block.upper()}(a)")
    assert caught.value.hint == f"did you mean '{function}'?"


@pytest.mark.parametrize(
    "text",
    [
        "(" * 4000,
        "(" * 65 + "a" + ")" * 65,
        "not " * 999 + "a",
        " or ".join(["a"] * 700),
        "rising(" * 490 + "a" + ")" * 490,
        " + ".join(["1"] * 900),
    ],
)
def test_deep_expressions_are_refused_before_anything_overflows(text: str) -> None:
    with pytest.raises(TextError, match=f"nested more than {DEEPEST} deep"):
        parse_expression(text)


@pytest.mark.parametrize("text", ["(" * DEEPEST + "a" + ")" * DEEPEST, " or ".join(["a"] * DEEPEST)])
def test_the_deepest_allowed_expressions_parse(text: str) -> None:
    assert isinstance(parse_expression(text), Name | Binary)


def test_too_long_an_expression_is_refused() -> None:
    with pytest.raises(TextError, match=f"the longest allowed is {LONGEST_TEXT}"):
        parse_expression("a" * (LONGEST_TEXT + 1))


words = st.from_regex(r"[A-Za-z][A-Za-z0-9_]{0,5}", fullmatch=True).filter(
    lambda w: w.lower() not in KEYWORDS
)
names = st.builds(lambda parts: Name(".".join(parts), NOWHERE), st.lists(words, min_size=1, max_size=2))
leaves = (
    names
    | st.integers(-(2**31) + 1, 2**31 - 1).map(lambda n: Number(n, NOWHERE))
    | st.booleans().map(lambda b: Truth(b, NOWHERE))
    | words.map(lambda w: At(w, NOWHERE))
)


def grow(inner: st.SearchStrategy[Expression]) -> st.SearchStrategy[Expression]:
    return (
        inner.map(lambda x: Not(x, NOWHERE))
        | st.builds(lambda o, a, b: Binary(o, a, b, NOWHERE), st.sampled_from(Operator), inner, inner)
        | st.builds(lambda e, a: EdgeOf(e, a, NOWHERE), st.sampled_from(Edge), inner)
        | st.builds(lambda a, t: HeldFor(a, t, NOWHERE), inner, st.integers(0, 10**6))
    )


trees: st.SearchStrategy[Expression] = st.recursive(leaves, grow, max_leaves=20)


@given(trees)
def test_a_tree_survives_being_written_and_read(tree: Expression) -> None:
    assert bare(parse_expression(canonical(tree))) == tree


def sparse(tree: Expression, least: int = -1) -> str:
    """A spelling with only the brackets that the published precedence asks for."""
    match tree:
        case Binary(operator=operator, left=left, right=right):
            rank = RANK[operator.value]
            text = f"{sparse(left, rank)} {operator.value} {sparse(right, rank + 1)}"
            return text if rank >= least else f"({text})"
        case Not(operand=operand):
            return f"not {sparse(operand, len(PRECEDENCE))}"
        case EdgeOf(edge=edge, argument=argument):
            return f"{edge.value}({sparse(argument)})"
        case HeldFor(argument=argument, milliseconds=milliseconds):
            return f"held({sparse(argument)}, {milliseconds} ms)"
        case _:
            return canonical(tree)


@given(trees)
def test_brackets_that_precedence_makes_needless_may_be_left_out(tree: Expression) -> None:
    """Source of the precedence: IEC 61131-3 edition 2, Annex B.3.1."""
    assert bare(parse_expression(sparse(tree))) == tree


pieces = st.sampled_from(
    [*KEYWORDS, "a", "b.c", "(", ")", ",", "5", "5 ms", "T#1s", "=", "<>", "<", "+", "-", "&", "==", "é", "."]
)


@given(st.text(max_size=60) | st.lists(pieces, max_size=25).map(" ".join))
def test_no_text_does_anything_but_parse_or_be_refused(text: str) -> None:
    try:
        tree = parse_expression(text)
    except TextError as error:
        assert 0 <= error.start < error.end <= max(len(text), error.start + 1) + 1
        assert error.message
    else:
        assert all(text[n.span.start : n.span.end].strip() for n in walk(tree))
