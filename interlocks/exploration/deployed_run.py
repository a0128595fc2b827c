"""Steps a run through the deployed controller: what sets report is shown in the C that is put to work."""

from __future__ import annotations

import ctypes
from collections.abc import Sequence
from pathlib import Path

from .engine_abi import Library, fault


def goals_of(library: Path, run: Sequence[Sequence[int]]) -> frozenset[int]:
    """Goals of the last tick of a run, by number, stepped through the deployed controller in its checker.

    Args:
        library: a built checker.
        run: the picks of the start, then those of each tick; choices beyond them are answered with 0.

    Raises:
        ProgramFault: if some pick was not offered.
    """
    c = Library(library)
    flat = [pick for picks in run for pick in picks]
    picks = (c.Pick * max(1, len(flat)))(*flat)
    counts = (ctypes.c_uint32 * len(run))(*map(len, run))
    events = (ctypes.c_uint64 * c.shape.event_words)()
    if code := c.functions.sg_follow(picks, counts, len(run) - 1, events):
        raise fault(code)
    # A checker counts one break at the least, where a loop may have none.
    first = c.shape.breaks
    return frozenset(i for i in range(c.shape.goals) if events[(first + i) // 64] >> (first + i) % 64 & 1)
