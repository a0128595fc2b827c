"""Times in ticks: the table 'Rounding' of the page."""

from __future__ import annotations


def up(time: int, tick: int) -> int:
    """ceil(time / tick)."""
    return -(-time // tick)


def down(time: int, tick: int) -> int:
    """floor(time / tick)."""
    return time // tick


def span(times: tuple[int, int], tick: int) -> tuple[int, int]:
    """Shortest and longest time of a part."""
    return down(times[0], tick), max(1, up(times[1], tick))
