"""A table of the reviewer's papers, before it becomes a page or a file of comma-separated values."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of texts under a heading; the first cell of a row names it."""

    name: str  # becomes the file's name
    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()  # what the marks mean, how the table came about
    narrow: bool = False  # a matrix: many columns with a mark or two each

    def __post_init__(self) -> None:
        for row in self.rows:
            assert len(row) == len(self.head), f"{self.name}: {row} does not fit {self.head}"


def table_csv(table: Table) -> bytes:
    """The rows as CSV (RFC 4180), in UTF-8 with a mark that spreadsheets know it by.

    A cell that a spreadsheet would take for a formula begins with an apostrophe.
    """
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow(table.head)
    writer.writerows([_inert(cell) for cell in row] for row in table.rows)
    return stream.getvalue().encode("utf-8-sig")


def _inert(cell: str) -> str:
    return f"'{cell}" if cell.startswith(("=", "+", "-", "@", "\t")) and cell != "-" else cell
