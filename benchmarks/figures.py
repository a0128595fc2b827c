"""A measured figure with its target, and the table they are printed as."""

from __future__ import annotations

import os
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rich.console import Console
from rich.table import Table


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the table.

    Attributes:
        what: what was measured.
        value: the figure as printed, unit included.
        target: the figure to reach as printed, empty if there is none.
        met: whether it was reached; None without a target.
    """

    what: str
    value: str
    target: str = ""
    met: bool | None = None


@dataclass(frozen=True, slots=True)
class Timed:
    """Seconds by the clock on the wall, and of all processors together."""

    wall: float
    processor: float


def timed(work: Callable[[], object]) -> Timed:
    """Runs something once."""
    wall, processor = time.perf_counter(), time.process_time()
    work()
    return Timed(time.perf_counter() - wall, time.process_time() - processor)


def median(values: Sequence[Timed]) -> Timed:
    """The medians of both times, each by itself."""
    return Timed(
        statistics.median(item.wall for item in values),
        statistics.median(item.processor for item in values),
    )


def at_least(what: str, value: float, target: float, unit: str) -> Figure:
    """A figure that is to be large."""
    return Figure(what, f"{value:.3g} {unit}", f">= {target:g}", value >= target)


def at_most(what: str, value: float, target: float, unit: str) -> Figure:
    """A figure that is to be small."""
    return Figure(what, f"{value:.3g} {unit}", f"<= {target:g}", value <= target)


def load() -> str:
    """How busy this computer is: processes that run or wait to, averaged over a minute."""
    if not hasattr(os, "getloadavg"):
        return "load unknown"
    return f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors"


def show(console: Console, title: str, figures: Sequence[Figure], notes: Sequence[str] = ()) -> None:
    """Prints a table of figures and what is to be known about them."""
    table = Table(title=title, title_justify="left")
    table.add_column("figure")
    table.add_column("measured", justify="right")
    table.add_column("target", justify="right")
    table.add_column("")
    for item in figures:
        word = "" if item.met is None else "met" if item.met else "not met"
        table.add_row(item.what, item.value, item.target, word)
    console.print(table)
    for note in notes:
        console.print(f"  {note}", markup=False, highlight=False)
    console.print()
