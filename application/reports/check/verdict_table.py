"""The table of verdicts: one row a requirement, one column a number of faults.

A row is one line; where it does not fit, the name stands on a line of its own, since a name that is cut or
broken would be another one. What the file does not ask for stands in brackets, and a break of that kind is
never called broken: so that it differs from one that counts without colour too.
"""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from stillgate.interlocks.results.verdict import CheckResult, Judgement, RequirementVerdict, Word

from ...console.columns import Row, aligned
from ...console.words import fault_words, judgement_words

STYLES = {Word.HOLDS: "green", Word.NOT_BROKEN: "yellow", Word.BROKEN: "bold red", Word.UNDECIDED: "yellow"}

NOT_REQUIRED = "not required"
NOT_ASKED = "-"

KEY = "In brackets: more than the file asks for. '-': not asked about a fault."
KEY_OF_BREAKS = f" '{NOT_REQUIRED}': does not withstand it, and need not."


def table_of_verdicts(result: CheckResult, width: int) -> Text:
    """The table, at most ``width`` characters wide where no single cell is wider."""
    budgets = range(result.faults + 1)
    head = ["requirement", "hazard", *map(fault_words, budgets)]
    rows = [_row(item, budgets, result) for item in result.requirements]
    return aligned(head, rows, width)


def key_of_verdicts(result: CheckResult) -> str:
    """What the signs in the table mean; empty where it has none."""
    if not result.faults:
        return ""
    return KEY + (KEY_OF_BREAKS if breaks_not_required(result) else "")


def breaks_not_required(result: CheckResult) -> list[tuple[RequirementVerdict, Judgement]]:
    """Requirements that do not withstand more faults than they must, with how."""
    return [
        (item, judgement)
        for item in result.requirements
        for judgement in item.judgements
        if judgement.word is Word.BROKEN and judgement.faults > item.faults
    ]


def _row(item: RequirementVerdict, budgets: Sequence[int], result: CheckResult) -> Row:
    said = {judgement.faults: judgement for judgement in item.judgements}
    name = Text(item.name, style="bold red" if item.verdict is Word.BROKEN else "")
    return [
        name,
        Text(item.hazard or NOT_ASKED),
        *(_cell(said.get(budget), item.faults, result) for budget in budgets),
    ]


def _cell(judgement: Judgement | None, required: int, result: CheckResult) -> Text:
    if judgement is None:
        return Text(NOT_ASKED)
    counts = judgement.faults <= required
    if judgement.word is Word.BROKEN and counts:
        words = judgement_words(judgement, judgement.tick)  # the tick is said once, above the table
        return Text(words.replace(Word.BROKEN.value, Word.BROKEN.value.upper()), style=STYLES[Word.BROKEN])
    if counts:
        return Text(judgement.word.value, style=STYLES[judgement.word])
    return Text(NOT_REQUIRED if judgement.word is Word.BROKEN else f"({judgement.word.value})", style="dim")
