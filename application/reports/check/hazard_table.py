"""The hazards of a machine: what guards against each, and what a check says of it.

A row a hazard, in the order of the file; last what names none.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from rich.text import Text

from stillgate.interlocks.results.verdict import CheckResult, RequirementVerdict, Word

from ...console.columns import Row, aligned, fits
from ...console.words import fault_words
from .verdict_table import NOT_REQUIRED, STYLES

UNASKED = "not asked"
ORDER = ("BROKEN", "undecided", "not broken", "hold", NOT_REQUIRED, UNASKED)
"""What is said of requirements, what matters most first."""

WORDS = {
    Word.HOLDS: "hold",
    Word.NOT_BROKEN: "not broken",
    Word.BROKEN: "BROKEN",
    Word.UNDECIDED: "undecided",
}


def table_of_hazards(result: CheckResult, width: int) -> Text | None:
    """The table; None where neither the file nor a requirement names a hazard."""
    named = [item.hazard for item in result.requirements if item.hazard is not None]
    hazards = list(dict.fromkeys([*result.hazards, *named]))
    if not hazards:
        return None
    budgets = range(result.faults + 1)
    head = ["hazard", "requirements", *map(fault_words, budgets)]
    others = [None] if _of(None, result) else []

    def rows(*, names: bool) -> list[Row]:
        return [_row(hazard, _of(hazard, result), budgets, names=names) for hazard in [*hazards, *others]]

    named_rows = rows(names=True)
    return aligned(head, named_rows if fits(head, named_rows, width) else rows(names=False), width)


def _of(hazard: str | None, result: CheckResult) -> list[RequirementVerdict]:
    return [item for item in result.requirements if item.hazard == hazard]


def _row(hazard: str | None, guards: list[RequirementVerdict], budgets: Sequence[int], *, names: bool) -> Row:
    verdicts = {item.verdict for item in guards}
    style = STYLES[Word.BROKEN] if Word.BROKEN in verdicts else ""
    name = Text(hazard or "(none named)", style=style)
    return [name, Text(_guards(hazard, guards, names=names)), *(_cell(guards, budget) for budget in budgets)]


def _guards(hazard: str | None, guards: list[RequirementVerdict], *, names: bool) -> str:
    """How many there are; the only one as such, by its name where there is room."""
    if not guards:
        return "NONE"
    if hazard is None or len(guards) > 1:
        return str(len(guards))
    return f"only {guards[0].name}" if names else "only 1"


def _cell(guards: list[RequirementVerdict], budget: int) -> Text:
    counts = Counter(_said(item, budget) for item in guards)
    if not counts:
        return Text("-")
    style = STYLES[Word.BROKEN] if "BROKEN" in counts else ""
    if len(counts) == 1:
        (word,) = counts
        if len(guards) == 1 or word == UNASKED:
            return Text(_singular(word, 1), style=style)
        return Text(f"all {word}", style=style)
    said = (f"{counts[word]} {_singular(word, counts[word])}" for word in ORDER if counts[word])
    return Text(", ".join(said), style=style)


def _singular(word: str, count: int) -> str:
    return "holds" if word == "hold" and count == 1 else word


def _said(item: RequirementVerdict, budget: int) -> str:
    for judgement in item.judgements:
        if judgement.faults == budget:
            if judgement.word is Word.BROKEN and budget > item.faults:
                return NOT_REQUIRED
            return WORDS[judgement.word]
    return UNASKED
