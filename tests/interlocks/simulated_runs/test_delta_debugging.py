"""Cutting down: what is left still breaks, and nothing can be left out of it."""

from __future__ import annotations

from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from stillgate.controller.program.program import Cell, Scope
from stillgate.interlocks.simulated_runs.delta_debugging import Change, ShorterRun, cut_down

CELLS = tuple(Cell(f"{name}.circuit", 0, 1, 0, Scope.PART) for name in "abcdefgh")


def needing(wanted: Sequence[tuple[Cell, int]]):  # type: ignore[no-untyped-def]
    """Breaks in the scan of the last of some changes, if they all come, in this order."""

    def breaks(changes: tuple[Change, ...], seed: int, limit: int) -> int | None:
        found = 0
        for scan, cell, value in changes:
            if found < len(wanted) and (cell, value) == wanted[found]:
                found += 1
                if found == len(wanted):
                    return scan if scan < limit else None
        return 0 if not wanted else None

    return breaks


@st.composite
def runs(draw: st.DrawFn) -> tuple[ShorterRun, list[tuple[Cell, int]]]:
    """A run and the changes in it that matter."""
    cells = st.sampled_from(CELLS)
    changes = sorted(
        draw(
            st.lists(
                st.tuples(st.integers(0, 5000), cells, st.integers(0, 1)),
                min_size=1,
                max_size=60,
                unique_by=lambda item: item[0],
            )
        ),
        key=lambda item: item[0],
    )
    positions = draw(st.lists(st.integers(0, len(changes) - 1), unique=True, min_size=1, max_size=4))
    wanted = [(changes[i][1], changes[i][2]) for i in sorted(positions)]
    found = needing(wanted)(tuple(changes), 9, 10**9)
    assert found is not None
    return ShorterRun(tuple(changes), 9, found), wanted


@given(runs())
def test_exactly_what_matters_is_left_and_as_early_as_can_be(
    drawn: tuple[ShorterRun, list[tuple[Cell, int]]],
) -> None:
    run, wanted = drawn
    short = cut_down(run, needing(wanted))
    assert [(cell, value) for _, cell, value in short.changes] == wanted
    assert short.broken_at == 0, "every gap can be closed here"
    assert short.seed == 0, "any seed does"


def test_what_breaks_by_itself_needs_no_event() -> None:
    run = ShorterRun(((3, CELLS[0], 1), (9, CELLS[1], 1)), 5, 20)
    short = cut_down(run, lambda changes, seed, limit: 4 if limit > 4 else None)
    assert short.changes == ()


def test_a_seed_that_matters_is_kept() -> None:
    run = ShorterRun(((3, CELLS[0], 1),), 12345, 20)

    def breaks(changes: tuple[Change, ...], seed: int, limit: int) -> int | None:
        return 20 if seed == 12345 and changes and limit > 20 else None

    assert cut_down(run, breaks) == ShorterRun(((0, CELLS[0], 1),), 12345, 20)


def test_a_time_that_matters_is_kept() -> None:
    """Two changes that must be at least 40 scans apart."""
    run = ShorterRun(((100, CELLS[0], 1), (437, CELLS[1], 1)), 0, 437)

    def breaks(changes: tuple[Change, ...], seed: int, limit: int) -> int | None:
        times = {cell: scan for scan, cell, _ in changes}
        if set(times) != set(CELLS[:2]) or times[CELLS[1]] - times[CELLS[0]] < 40:
            return None
        return times[CELLS[1]] if times[CELLS[1]] < limit else None

    short = cut_down(run, breaks)
    assert [scan for scan, _, _ in short.changes] == [0, 40]


def test_attempts_are_limited() -> None:
    tried = 0

    def breaks(changes: tuple[Change, ...], seed: int, limit: int) -> int | None:
        nonlocal tried
        tried += 1
        return None

    run = ShorterRun(tuple((i, CELLS[i % 8], i % 2) for i in range(500)), 3, 600)
    assert cut_down(run, breaks, attempts=50) == run
    assert tried == 50
