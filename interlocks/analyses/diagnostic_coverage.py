"""Diagnostic coverage (ISO 13849-1): of the dangerous failures, the part that is detected, by rate.

::

    DC = sum of rates detected dangerous / sum of rates dangerous          lambda_DD / lambda_D

It weighs failure rates and does not count faults; without rates of your own all faults of a table are
taken as equally likely, which is an assumption and printed. The bands are those of ISO 13849-1: below
60 % none, from there low, from 90 % medium, from 99 % high.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from ..results.fault_table_rows import COVERAGE_OPEN, Coverage, FaultOutcome, FaultRow

EQUAL_RATES = "Failure rates: every fault is taken as equally likely, since no rates were given."
GIVEN_RATES = "Failure rates as given; faults without one count with rate 1."


def coverage_ratio(detected: float, dangerous: float) -> float | None:
    """Diagnostic coverage from rates of one unit; None where nothing is dangerous.

    Raises:
        ValueError: for a negative rate, or more detected than dangerous.
    """
    if not 0 <= detected <= dangerous:
        raise ValueError(f"a rate of {detected} detected among {dangerous} dangerous failures cannot be")
    return detected / dangerous if dangerous else None


def coverage_band(ratio: float | None) -> str:
    """The band of ISO 13849-1 (none, low, medium, high), '-' where there is nothing to cover."""
    if ratio is None:
        return "-"
    for least, band in ((0.99, "high"), (0.90, "medium"), (0.60, "low")):
        if ratio >= least:
            return band
    return "none"


def coverage_of(rows: Iterable[FaultRow], rates: Mapping[str, float] | None = None) -> tuple[Coverage, ...]:
    """Coverage of every input among the rows, in their order.

    Dangerous is a fault under which the first difference can be an output with a hazard that is on and
    would be off. Detected is a dangerous fault that stops the machine by itself; noticed at the next
    start, one under which the machine cannot for ever stop and start.

    Args:
        rows: of a fault table.
        rates: rate of each fault by its name, in any one unit; 1 where it is not given.
    """
    weights = rates or {}
    subjects: dict[str, list[FaultRow]] = {}
    for row in rows:
        if row.kind.startswith("input"):
            subjects.setdefault(row.subject, []).append(row)
    return tuple(_coverage(subject, items, weights) for subject, items in subjects.items())


def _coverage(subject: str, rows: list[FaultRow], weights: Mapping[str, float]) -> Coverage:
    def total(items: Iterable[FaultRow]) -> float:
        return sum(weights.get(row.fault, 1.0) for row in items)

    if any(row.dangerous is None or row.outcome is FaultOutcome.UNDECIDED for row in rows):
        return Coverage(subject, 0, 0, 0, None, None, "-", COVERAGE_OPEN)
    harming = [row for row in rows if row.dangerous and row.outcome is not FaultOutcome.HARMLESS]
    stopping = [row for row in harming if row.outcome is FaultOutcome.STOPS]
    noticed = [row for row in harming if row.outcome is FaultOutcome.STOPS or row.next_start]
    dangerous = total(harming)
    ratio = coverage_ratio(total(stopping), dangerous)
    later = coverage_ratio(total(noticed), dangerous)
    if ratio is None or later is None:
        text = "no dangerous fault among those of the table"
    else:
        text = (
            f"{100 * ratio:.0f} % of the dangerous faults stop the machine by themselves, "
            f"{100 * later:.0f} % with those noticed at the next start"
        )
    return Coverage(
        subject, dangerous, total(stopping), total(noticed), ratio, later, coverage_band(ratio), text
    )
