"""Diagnostic coverage: published arithmetic, bands, and the rows it is taken from."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillgate.interlocks.analyses.diagnostic_coverage import coverage_band, coverage_of, coverage_ratio
from stillgate.interlocks.results.fault_table_rows import FaultOutcome, FaultRow


@pytest.mark.parametrize(
    ("detected", "undetected", "percent"),
    [(238, 17, 93.33), (488, 37, 92.95), (127, 48, 72.6)],
)
def test_the_ratio_is_that_of_published_failure_analyses(
    detected: float, undetected: float, percent: float
) -> None:
    """Rates in FIT of three published analyses (dangerous detected, dangerous undetected).

    Printed there: 93 %, 93 %, and for the third the rates only; recomputed to two digits.
    """
    ratio = coverage_ratio(detected, detected + undetected)
    assert ratio is not None
    assert 100 * ratio == pytest.approx(percent, abs=0.05)


@pytest.mark.parametrize(
    ("ratio", "band"),
    [
        (0.0, "none"),
        (0.598, "none"),
        (0.60, "low"),
        (0.899, "low"),
        (0.90, "medium"),
        (0.99, "high"),
        (1.0, "high"),
    ],
)
def test_the_bands_are_those_of_the_standard(ratio: float, band: str) -> None:
    """ISO 13849-1: none below 60 %, low from 60, medium from 90, high from 99."""
    assert coverage_band(ratio) == band


def test_nothing_dangerous_has_no_coverage() -> None:
    assert coverage_ratio(0, 0) is None
    assert coverage_band(None) == "-"


def test_more_detected_than_there_is_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot be"):
        coverage_ratio(2, 1)


def row(fault: str, outcome: FaultOutcome, *, next_start: bool = False) -> FaultRow:
    return FaultRow(fault, "input stuck on", "guard", outcome, "", next_start=next_start)


def test_rates_weigh_the_declared_failures_and_no_others_count() -> None:
    rows = [
        row("a", FaultOutcome.STOPS),
        row("b", FaultOutcome.HELD_ON),
        row("c", FaultOutcome.OTHER),
    ]
    assert coverage_of(rows, {"a": 1.0, "b": 1.0})[0].ratio == 0.5
    weighed = coverage_of(rows, {"a": 9.0, "b": 1.0})[0]
    assert weighed.ratio == pytest.approx(0.9)
    assert weighed.band == "medium"


def test_nothing_is_said_of_coverage_where_nothing_was_declared() -> None:
    assert coverage_of([row("a", FaultOutcome.HELD_ON)], {}) == ()


def test_what_was_declared_dangerous_counts_whatever_the_table_says_of_it() -> None:
    """A hidden failure is a dangerous one that nobody detects, if somebody calls it dangerous."""
    assert coverage_of([row("a", FaultOutcome.HIDDEN)], {"a": 2.0})[0].ratio == 0


def test_a_comparison_of_channels_that_stops_the_machine_counts_as_detection() -> None:
    """ISO 13849-1, annex E: cross monitoring of inputs is a measure of detection (from memory)."""
    assert coverage_of([row("a", FaultOutcome.STOPS_ONCE_SHOWN)], {"a": 1.0})[0].ratio == 1


def test_what_shows_at_the_next_start_is_told_apart() -> None:
    rows = [row("a", FaultOutcome.LATER_START, next_start=True)]
    assert coverage_of(rows, {"a": 1.0})[0].ratio == 0
    assert coverage_of(rows, {"a": 1.0})[0].ratio_at_next_start == 1


def test_an_undecided_row_leaves_coverage_undecided() -> None:
    assert coverage_of([row("a", FaultOutcome.UNDECIDED)], {"a": 1.0})[0].is_open


@given(st.lists(st.tuples(st.sampled_from(FaultOutcome), st.floats(0, 1e6)), max_size=6))
def test_coverage_lies_between_none_and_all(items: list[tuple[FaultOutcome, float]]) -> None:
    rows = [row(str(i), outcome) for i, (outcome, _) in enumerate(items)]
    for found in coverage_of(rows, {str(i): rate for i, (_, rate) in enumerate(items)}):
        assert found.ratio is None or 0 <= found.ratio <= 1 + 1e-12
