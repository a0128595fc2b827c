"""Names, ranges and conditions as the models take them from YAML."""

from __future__ import annotations

import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from stillgate.controller.errors import TextError
from stillgate.controller.expressions.expression import At, Name, Number, Truth
from stillgate.controller.expressions.grammar import KEYWORDS
from stillgate.controller.machine_file.field_types import (
    LONGEST_NAME,
    Condition,
    CounterRange,
    Duration,
    DurationRange,
    Identifier,
    SenseCondition,
    StartValue,
    parse_name,
)

C_KEYWORDS = [
    "auto",
    "break",
    "case",
    "char",
    "const",
    "continue",
    "default",
    "do",
    "double",
    "else",
    "enum",
    "extern",
    "float",
    "for",
    "goto",
    "if",
    "inline",
    "int",
    "long",
    "register",
    "restrict",
    "return",
    "short",
    "signed",
    "sizeof",
    "static",
    "struct",
    "switch",
    "typedef",
    "union",
    "unsigned",
    "void",
    "volatile",
    "while",
]
"""ISO/IEC 9899:1999, 6.4.1, those in small letters."""


@pytest.mark.parametrize("word", C_KEYWORDS)
def test_c_keywords_are_names_like_any_other(word: str) -> None:
    """Generated C puts a prefix before every name. Source of the list: ISO/IEC 9899:1999, 6.4.1."""
    assert parse_name(word) == word


@pytest.mark.parametrize("word", [*KEYWORDS, *(word.upper() for word in KEYWORDS), "null", "seen", "Asked"])
def test_words_of_the_language_cannot_be_names(word: str) -> None:
    with pytest.raises(TextError, match="is a word of the language and cannot be a name"):
        parse_name(word)


@pytest.mark.parametrize(
    ("text", "marked", "hint"),
    [
        ("a b", " ", "say 'a_b'"),
        ("a-b", "-", "say 'a_b'"),
        ("a.b", ".", "say 'a_b'"),
        ("2nd_valve", "2", "say 'nd_valve'"),
        ("_a", "_", "say 'a'"),
        ("a__b", "__", "say 'a_b'"),
        ('a"; x', '"', "say 'a_x'"),
        ("größe", "ö", "say 'gr_e'"),
        ("", "", ""),
        ("%", "%", ""),
    ],
)
def test_other_names_are_refused_at_the_character(text: str, marked: str, hint: str) -> None:
    with pytest.raises(TextError) as caught:
        parse_name(text)
    assert text[caught.value.start : caught.value.end] == marked
    assert caught.value.hint == hint


@given(st.text(max_size=70))
def test_a_name_that_is_accepted_is_ascii_short_and_plain(text: str) -> None:
    try:
        name = parse_name(text)
    except TextError as error:
        assert 0 <= error.start < error.end
        hint = error.hint.removeprefix("say '").removesuffix("'")
        if hint and hint.lower() not in (*KEYWORDS, "null", "seen", "asked"):
            assert parse_name(hint) == hint
    else:
        assert name == text
        assert name.isascii() and name.isidentifier() and "__" not in name and len(name) <= LONGEST_NAME


CONDITION = TypeAdapter(Condition)


@pytest.mark.parametrize(
    ("value", "text", "kind"),
    [
        ("a", "a", Name),
        (True, "true", Truth),
        (False, "false", Truth),
        (3, "3", Number),
        ("at open", "at open", At),
    ],
)
def test_a_condition_comes_from_text_truths_and_whole_numbers(value: object, text: str, kind: type) -> None:
    condition = CONDITION.validate_python(value)
    assert condition.text == str(condition) == text
    assert isinstance(condition.tree, kind)


@pytest.mark.parametrize("value", [None, 1.5, [], {}, b"a"])
def test_nothing_else_is_a_condition(value: object) -> None:
    with pytest.raises(ValidationError, match="an expression is expected"):
        CONDITION.validate_python(value)


def test_a_refused_condition_keeps_the_place_inside_its_text() -> None:
    with pytest.raises(ValidationError) as caught:
        CONDITION.validate_python("a && b")
    (error,) = caught.value.errors()
    assert error["type"] == "text"
    assert error["ctx"] == {
        "reason": "'&&' is not an operator here",
        "start": 2,
        "end": 4,
        "hint": "say 'and'",
    }


def test_conditions_are_values() -> None:
    condition = Condition.parse("a and b")
    assert condition == Condition.parse("a and b")
    assert hash(condition) == hash(Condition.parse("a and b"))
    assert pickle.loads(pickle.dumps(condition)) == condition
    assert CONDITION.validate_python(condition) is condition
    assert isinstance(SenseCondition.parse("at open"), Condition)
    with pytest.raises(AttributeError):
        condition.text = "c"  # type: ignore[misc]


@pytest.mark.parametrize(
    ("kind", "value", "result"),
    [
        (Duration, "20 ms", 20),
        (DurationRange, "3..5 s", (3000, 5000)),
        (DurationRange, "3 s", (3000, 3000)),
        (CounterRange, "0..5", "0..5"),
        (CounterRange, " -5 .. 5 ", "-5..5"),
        (Identifier, "motor", "motor"),
        (StartValue, True, True),
        (StartValue, 3, 3),
    ],
)
def test_quantities_are_read_from_what_yaml_gives(kind: object, value: object, result: object) -> None:
    found: object = TypeAdapter(kind).validate_python(value)
    assert found == result
    assert type(found) is type(result)


@pytest.mark.parametrize(
    ("kind", "value", "message"),
    [
        (Duration, 20, "20 is a number without a unit"),
        (Duration, 1.5, "1.5 is a number without a unit"),
        (Duration, True, "a time is expected"),
        (Duration, None, "a time is expected"),
        (DurationRange, 5, "5 is a number without a unit"),
        (DurationRange, "5..3 s", "the range runs backwards"),
        (CounterRange, "5..0", "the range runs backwards: 5 is more than 0"),
        (CounterRange, "1..1", "a counter with one value counts nothing"),
        (CounterRange, "0..2147483648", "at most 32 bits"),
        (CounterRange, 5, "a range is expected"),
        (Identifier, 5, "a name is expected"),
        (StartValue, "zero", "true, false or a whole number is expected"),
    ],
)
def test_quantities_refuse_everything_else(kind: object, value: object, message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        TypeAdapter(kind).validate_python(value)
