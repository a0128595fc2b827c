"""Requirements in words and formulas."""

from __future__ import annotations

import pytest

from stillgate.controller.machine_file.machine import Machine, Requirement
from stillgate.interlocks.results.requirement_text import (
    formula_of,
    names_of,
    pattern_of,
    sentence_of,
)


def requirement(**words: str) -> Requirement:
    machine = Machine.model_validate({
        "machine": "m", "scan": "10 ms", "inputs": {"a": {}, "b": {}, "c": {}}, "outputs": {"lamp": {}},
        "sequences": {"s": {"start": "x", "states": {"x": {"on": ["lamp"], "end": True}}}},
        "requirements": {"it": words},
    })  # fmt: skip
    return machine.requirements["it"]


CASES = [
    ({"never": "a"}, "absence", "never: a", "G not (a)"),
    ({"always": "a or b"}, "universality", "always: a or b", "G (a or b)"),
    (
        {"after": "a", "then": "b", "within": "200 ms"},
        "bounded response",
        "after a, then b within 200 ms",
        "G ((a) -> F[0, 200 ms] (b))",
    ),
    (
        {"after": "a", "keep": "b", "for": "2 s"},
        "bounded invariance",
        "after a, keep b for 2 s",
        "G ((a) -> G[0, 2 s] (b))",
    ),
    ({"before": "a", "first": "b"}, "precedence", "before a, first b", "not (a) W (b)"),
    (
        {"before": "a", "first": "b", "since": "c"},
        "precedence",
        "before a, first b, anew since c",
        "(not (a) W (b)) and G ((c) -> (not (a) W (b)))",
    ),
    ({"reach": "a"}, "possibility", "some run reaches: a", "EF (a)"),
    (
        {"from_anywhere": "a"},
        "possibility from anywhere",
        "from every situation some run reaches: a",
        "AG EF (a)",
    ),
]


@pytest.mark.parametrize(("words", "pattern", "sentence", "formula"), CASES)
def test_each_pattern_has_its_published_name_a_sentence_and_its_formula(
    words: dict[str, str], pattern: str, sentence: str, formula: str
) -> None:
    """Names and formulas: Dwyer, Avrunin, Corbett 1999; Konrad, Cheng 2005."""
    found = requirement(**words)
    assert (pattern_of(found), sentence_of(found), formula_of(found)) == (pattern, sentence, formula)


def test_a_named_condition_is_told_by_its_name_and_the_formula_says_what_it_means() -> None:
    machine = Machine.model_validate({
        "machine": "m", "scan": "10 ms", "inputs": {"a": {}, "b": {}}, "outputs": {"lamp": {}},
        "conditions": {"dark": "not lamp", "clear": {"when": "a and b and dark"}, "other": "a"},
        "sequences": {"s": {"start": "x", "states": {"x": {"on": ["lamp"], "end": True}}}},
        "requirements": {"it": {"never": "lamp and not clear or seen.clear"}},
    })  # fmt: skip
    found = machine.requirements["it"]
    assert sentence_of(found) == "never: lamp and not clear or seen.clear"
    assert formula_of(found) == (
        "G not ((lamp and not (a and b and not lamp)) or (seen.a and seen.b and not asked.lamp))"
    )
    assert dict(names_of(machine, found)) == {
        "dark": "not lamp",
        "seen.dark": "not asked.lamp",
        "clear": "a and b and dark",
        "seen.clear": "seen.a and seen.b and seen.dark",
    }
