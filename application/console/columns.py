"""Tables of short cells: a row is a line, and no cell is ever broken or cut.

Where a row is too wide, its first cell, the name, stands on a line of its own and the rest below it.
"""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from .prose import wrapped
from .terminal import printable

Row = Sequence[Text]
"""The cells of a row, the name first."""

GAP, NARROW_GAP = 3, 2
"""Spaces between two columns, and where the rows do not fit otherwise."""

INDENT = 4
"""Spaces before the rest of a row whose name stands above it."""


def aligned(head: Sequence[str], rows: Sequence[Row], width: int) -> Text:
    """Rows under their headings.

    Args:
        head: a heading a column.
        width: characters of a line; only a cell that is wider by itself makes a line longer.
    """
    lines = _lines(head, rows)
    widths = _widths(lines)
    gap = GAP if _together(widths, GAP) <= width else NARROW_GAP
    stacked = _together(widths, gap) > width
    if stacked:
        widths[0] = INDENT - gap
    total = min(_together(widths, gap), width)
    shown: list[Text] = []
    for number, cells in enumerate(lines):
        if stacked:
            shown.append(cells[0])
        shown.append(_line([Text(""), *cells[1:]] if stacked else cells, widths, gap))
        if number == 0:
            shown.append(Text("─" * total))
    return Text("\n").join(shown)


def fits(head: Sequence[str], rows: Sequence[Row], width: int) -> bool:
    """Whether every row is a line of that width at most."""
    return _together(_widths(_lines(head, rows)), NARROW_GAP) <= width


def labelled(rows: Sequence[tuple[str, str]], width: int, *, indent: int = 2) -> Text:
    """Short labels in a column, each with prose beside it that wraps under itself."""
    widest = max((len(label) for label, _ in rows), default=0)
    pad = " " * (indent + widest + GAP)
    lines: list[str] = []
    for label, prose in rows:
        first = f"{' ' * indent}{label.ljust(widest)}{' ' * GAP}"
        lines += wrapped(prose, width, first=first, later=pad) or [first.rstrip()]
    return Text("\n".join(lines))


def _lines(head: Sequence[str], rows: Sequence[Row]) -> list[Row]:
    return [[Text(title) for title in head], *([_shown(cell) for cell in row] for row in rows)]


def _widths(lines: Sequence[Row]) -> list[int]:
    return [max(cell.cell_len for cell in column) for column in zip(*lines, strict=True)]


def _together(widths: Sequence[int], gap: int) -> int:
    return sum(widths) + gap * (len(widths) - 1)


def _shown(cell: Text) -> Text:
    return Text(printable(cell.plain), style=cell.style)


def _line(cells: Sequence[Text], widths: Sequence[int], gap: int) -> Text:
    line = Text()
    for number, (cell, room) in enumerate(zip(cells, widths, strict=True)):
        line.append_text(cell)
        if number < len(cells) - 1:
            line.append(" " * (room + gap - cell.cell_len))
    return line
