"""Diagnostic coverage (ISO 13849-1): of the dangerous failures, the part that is detected, by rate.

::

    DC = sum of rates detected dangerous / sum of rates dangerous          lambda_DD / lambda_D

It weighs failure rates and does not count faults. Which failures are dangerous, and at which rate they come,
no search can know: it is declared, fault by fault, and without it there is no coverage. Detected is a
declared fault that stops the machine for good, at once or as soon as it shows, as where the logic compares
channels. The bands are those of ISO 13849-1: below 60 % none, from there low, from 90 % medium, from 99 %
high.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from ..results.fault_table_rows import COVERAGE_OPEN, Coverage, FaultOutcome, FaultRow

NO_RATES = (
    "No diagnostic coverage (ISO 13849-1): which failures are dangerous, and at which rates they come, was "
    "not declared."
)
GIVEN_RATES = (
    "Diagnostic coverage: the failures with a given rate are taken as the dangerous ones, all others as not "
    "dangerous. Detected: the fault stops the machine for good, at once or as soon as it shows."
)

_DETECTED = (FaultOutcome.STOPS, FaultOutcome.STOPS_ONCE_SHOWN)


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


def coverage_of(rows: Iterable[FaultRow], rates: Mapping[str, float]) -> tuple[Coverage, ...]:
    """Coverage of every signal of which a dangerous failure was declared, in the order of the rows.

    Args:
        rows: of a fault table.
        rates: of the dangerous failures, by the name of the fault, in any one unit.
    """
    subjects: dict[str, list[FaultRow]] = {}
    for row in rows:
        if row.subject and row.fault in rates:
            subjects.setdefault(row.subject, []).append(row)
    return tuple(_coverage(subject, items, rates) for subject, items in subjects.items())


def _coverage(subject: str, rows: list[FaultRow], rates: Mapping[str, float]) -> Coverage:
    def total(items: Iterable[FaultRow]) -> float:
        return sum(rates[row.fault] for row in items)

    if any(row.outcome is FaultOutcome.UNDECIDED for row in rows):
        return Coverage(subject, 0, 0, 0, None, None, "-", COVERAGE_OPEN)
    stopping = [row for row in rows if row.outcome in _DETECTED]
    noticed = [row for row in rows if row.outcome in _DETECTED or row.next_start]
    dangerous = total(rows)
    ratio = coverage_ratio(total(stopping), dangerous)
    later = coverage_ratio(total(noticed), dangerous)
    if ratio is None or later is None:
        text = "all declared rates are 0"
    else:
        text = (
            f"{100 * ratio:.0f} % of the declared dangerous failures stop the machine, "
            f"{100 * later:.0f} % with those noticed at the next start"
        )
    return Coverage(
        subject, dangerous, total(stopping), total(noticed), ratio, later, coverage_band(ratio), text
    )
