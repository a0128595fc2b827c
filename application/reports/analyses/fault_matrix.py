"""The fault table as a matrix: signals by stuck on and stuck off, to be seen at one look."""

from __future__ import annotations

from stillgate.diagrams.matrices.table import Table
from stillgate.interlocks.results.fault_table_rows import FaultOutcome, FaultRow, FaultTable

STUCK = ("stuck on", "stuck off")
LEFT_OUT = "left out"
"""Of a fault that the file excludes."""

NOTES = (
    "Stuck on: the circuit always conducts (a short, a welded contact), an output is always driven. Stuck "
    "off: it never conducts (a broken wire), an output is never driven.",
)


def matrix_of_faults(table: FaultTable) -> Table:
    """One row a signal, in the order of the faults; power, which is no signal, comes last."""
    rows = {row.fault: row for row in table.rows}
    excluded = {fault for fault, _ in table.exclusions}
    signals = dict.fromkeys(row.subject for row in table.rows if row.subject)
    cells = [(name, *(_cell(rows, f"{name} {stuck}", excluded) for stuck in STUCK)) for name in signals]
    cells += [(row.fault, outcome_words(row), "") for row in table.rows if not row.subject]
    return Table("fault_matrix", "Single faults at a glance", ("signal", *STUCK), tuple(cells), NOTES)


def _cell(rows: dict[str, FaultRow], fault: str, excluded: set[str]) -> str:
    row = rows.get(fault)
    if row is None:
        return LEFT_OUT if fault in excluded else "-"
    return outcome_words(row)


def outcome_words(row: FaultRow) -> str:
    """The outcome in a few words: ``one channel lost``, ``breaks fresh_start (not required)``."""
    if row.outcome is not FaultOutcome.BREAKS:
        return row.outcome.short
    first = next((item for item in row.breaks if item.counts), row.breaks[0])
    more = f" and {len(row.breaks) - 1} more" if len(row.breaks) > 1 else ""
    if first.counts:
        return f"BREAKS {first.requirement}{more}"
    return f"breaks {first.requirement}{more} (not required)"
