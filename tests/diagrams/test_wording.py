"""Conditions in the words that stand on a drawing."""

from __future__ import annotations

import pytest

from stillgate.controller.expressions.grammar import parse_expression
from stillgate.controller.reading.reader import read_machine_text
from stillgate.diagrams.wording import condition_words, one_line, wrap_words


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("rising(start)", "↑start"),
        ("falling(start)", "↓start"),
        ("rising(a or b)", "↑(a or b)"),
        ("not (a and b)", "not (a and b)"),
        ("not a", "not a"),
        ("a and b and c", "a and b and c"),
        ("a and (b or c)", "a and (b or c)"),
        ("(a and b) or c", "(a and b) or c"),
        ("rail = 3 and not full", "rail = 3 and not full"),
        ("full and rail = 3", "full and rail = 3"),
        ("rail - (1 - 2) > 0", "(rail - (1 - 2)) > 0"),
        ("held(a, 500 ms)", "a for 500 ms"),
        ("held(a, 1500 ms) and b", "(a for 1.5 s) and b"),
        ("true", "always"),
        ("false", "never"),
    ],
)
def test_a_condition_reads_as_on_a_drawing(text: str, words: str) -> None:
    """Arrows for edges as in IEC 60848 [M: from memory]; the rest is our own."""
    assert condition_words(parse_expression(text)) == words


@pytest.mark.parametrize(
    ("when", "words"),
    [
        ("a", "8 s in state and a"),
        ("a and not b", "8 s in state and a and not b"),
        ("a or b", "8 s in state and (a or b)"),
        ("n = 3", "8 s in state and n = 3"),
        ("'held(a, 1 s)'", "8 s in state and (a for 1 s)"),
    ],
)
def test_a_time_and_a_condition_have_brackets_where_they_could_be_misread(when: str, words: str) -> None:
    text = f"""\
machine: m
scan: 20 ms
inputs: {{a: {{from: operator}}, b: {{from: operator}}}}
memory: {{n: {{range: 0..3, start: 0}}}}
sequences:
  s:
    start: x
    states: {{x: {{exits: [{{after: 8 s, when: {when}, to: y}}]}}, y: {{end: true}}}}
"""
    [way] = read_machine_text(text, "m.yaml").machine.sequences["s"].states["x"].exits
    assert one_line(way) == words


def test_long_conditions_break_before_and_and_or() -> None:
    text = "harvest_rail_full and drives_at_rest or not index_is_in and nothing_else"
    lines = wrap_words(text, 30)
    assert lines == ["harvest_rail_full", "and drives_at_rest", "or not index_is_in", "and nothing_else"]
    assert all(len(line) <= 30 for line in lines)


def test_wrapping_loses_no_word() -> None:
    text = "a and b or c xor d and " + "x" * 60 + " and e"
    assert " ".join(wrap_words(text)).split() == text.split()
