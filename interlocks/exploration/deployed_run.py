"""Steps a run through the deployed controller: what sets report is shown in the C that is put to work."""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from pathlib import Path

from .engine_abi import Library, fault

Picks = tuple[tuple[int, ...], ...]
"""Of a run: of its start, then of each tick; choices beyond them are answered with 0."""


def brief(run: Picks) -> Picks:
    """The same run in fewer picks: each one given costs a step."""
    return tuple(_without_last_zeros(picks) for picks in run)


def _without_last_zeros(picks: tuple[int, ...]) -> tuple[int, ...]:
    last = max((number for number, pick in enumerate(picks) if pick), default=-1)
    return picks[: last + 1]


@dataclass(frozen=True, slots=True)
class Happened:
    """What happened on a run: each number with the tick in which it first did, counted from 1."""

    breaks: dict[int, int]
    goals: dict[int, int]

    def or_earlier(self, other: Happened) -> Happened:
        """What happened on one of two runs; ticks are those of the run on which it was earlier."""
        return Happened(_earliest(self.breaks, other.breaks), _earliest(self.goals, other.goals))


def _earliest(one: dict[int, int], other: dict[int, int]) -> dict[int, int]:
    return {number: min(item[number] for item in (one, other) if number in item) for number in one | other}


def happened_on(library: Path, run: Picks, *, loosely: bool = False) -> Happened:
    """What happens on a run that is stepped through the deployed controller in its checker.

    Args:
        library: a built checker.
        run: of this machine, or loosely of another.
        loosely: the run is one of a machine that differs a little: what this one does not offer is answered
            with 0, what it does not ask is passed over. It is a run of this one all the same.

    Raises:
        ProgramFault: if some pick was not offered, unless followed loosely.
    """
    c = Library(library)
    flat = [pick for picks in run for pick in picks]
    picks = (c.Pick * max(1, len(flat)))(*flat)
    counts = (ctypes.c_uint32 * len(run))(*map(len, run))
    first = (ctypes.c_uint64 * (c.shape.breaks + c.shape.goals))()
    if code := c.functions.sg_follow(picks, counts, len(run) - 1, int(loosely), first):
        raise fault(code)
    # A checker counts one break at the least, where a loop may have none.
    breaks, goals = first[: c.shape.breaks], first[c.shape.breaks :]
    return Happened(
        {number: tick for number, tick in enumerate(breaks) if tick},
        {number: tick for number, tick in enumerate(goals) if tick},
    )
