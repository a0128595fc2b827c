"""Names that YAML 1.1 takes for truths: told once a file, and accepted by quotes."""

from __future__ import annotations

import pytest

from machine_texts import YARD_GATE, problems_of
from stillgate.controller.errors import Severity

WORDS = ("y", "n", "yes", "no", "on", "off")


@pytest.mark.parametrize("word", WORDS)
def test_names_that_yaml_1_1_reads_as_truths_are_a_warning(word: str) -> None:
    """Source: YAML 1.1 type repository, bool: y|n|yes|no|on|off."""
    text = YARD_GATE.replace("dark", word)
    (problem,) = problems_of(text, Severity.WARNING)
    value = "true" if word in ("y", "yes", "on") else "false"
    assert f"'{word}' for '{value}'" in problem.message
    assert f'"{word}"' in problem.message, "in a check's findings too, which show no hints"


@pytest.mark.parametrize("quote", ["'", '"'])
@pytest.mark.parametrize("word", WORDS)
def test_quotes_accept_such_a_name(word: str, quote: str) -> None:
    """In quotes it is a text in every YAML, 1.1 too (YAML 1.1, 9.1: quoted scalars resolve to !!str)."""
    text = YARD_GATE.replace("dark: {", f"{quote}{word}{quote}: {{").replace("dark", word)
    assert problems_of(text, Severity.WARNING) == []


def test_many_such_names_are_one_warning_at_the_first() -> None:
    text = YARD_GATE.replace("dark", "off").replace("bright", "on")
    (problem,) = problems_of(text, Severity.WARNING)
    assert problem.message.startswith(
        "other programs that read YAML take 'off' for 'false', 'on' for 'true'; quotes around the name"
    )
    assert problem.line == next(n for n, line in enumerate(text.splitlines(), 1) if "off: {" in line)
