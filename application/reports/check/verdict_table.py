"""The table of verdicts: one row a requirement, one column a number of faults.

Widths are computed here, because a name that is cut or a verdict that is cropped would say
something else: verdicts give way first, then hazards, then names, which break at underlines.
"""

from __future__ import annotations

from rich import box
from rich.table import Table
from rich.text import Text

from stillgate.interlocks.results.verdict import CheckResult, Judgement, Word

from ...console.words import fault_words, judgement_words

STYLES = {Word.HOLDS: "green", Word.NOT_BROKEN: "yellow", Word.BROKEN: "bold red", Word.UNDECIDED: "yellow"}
SPACING = 3
"""Characters between two columns."""

NARROWEST = (12, 8, 9)
"""Characters of a name, a hazard and a verdict at the least."""


def table_of_verdicts(result: CheckResult, width: int) -> Table:
    """The table, at most ``width`` characters wide from 60 upward."""
    budgets = sorted({judgement.faults for item in result.requirements for judgement in item.judgements})
    head = ["requirement", "hazard", *map(fault_words, budgets), "must\nwithstand"]
    rows: list[list[Text]] = []
    for item in result.requirements:
        said = {judgement.faults: judgement for judgement in item.judgements}
        name = Text(item.name, style="bold red" if item.verdict is Word.BROKEN else "")
        verdicts = [_cell(said.get(budget), item.faults, result.scan) for budget in budgets]
        rows.append([name, Text(item.hazard or "-"), *verdicts, Text(fault_words(item.faults))])
    widths = _widths(head, rows, width)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1))
    for title, column in zip(head, widths, strict=True):
        table.add_column(title, width=column, overflow="fold")
    for name, hazard, *rest in rows:
        table.add_row(_broken_at_underlines(name, widths[0]), _broken_at_underlines(hazard, widths[1]), *rest)
    return table


def _widths(head: list[str], rows: list[list[Text]], width: int) -> list[int]:
    """Natural widths if they fit; else columns give way, verdicts first."""
    last = len(head) - 1
    cells = [[title, *(row[column].plain for row in rows)] for column, title in enumerate(head)]
    widths = [max(len(line) for cell in column for line in cell.splitlines()) for column in cells]
    room = width - SPACING * last
    for column in (*range(2, last), 1, 0):
        excess = sum(widths) - room
        if excess > 0:
            widths[column] = max(min(widths[column], NARROWEST[min(column, 2)]), widths[column] - excess)
    return widths


def _cell(judgement: Judgement | None, required: int, scan: int) -> Text:
    if judgement is None:
        return Text("-")
    counts = judgement.faults <= required
    return Text(judgement_words(judgement, scan), style=STYLES[judgement.word] if counts else "dim")


def _broken_at_underlines(name: Text, width: int) -> Text:
    """A name on as many lines as it needs, each ending with an underline."""
    lines = [""]
    for piece in name.plain.replace("_", "_\n").splitlines():
        if lines[-1] and len(lines[-1]) + len(piece) > width:
            lines.append("")
        lines[-1] += piece
    return Text("\n".join(lines), style=name.style)
