"""Steps a run through the deployed controller: what sets report is shown in the C that is put to work."""

from __future__ import annotations

import ctypes
from collections.abc import Sequence
from pathlib import Path

from .engine_abi import Library, fault


def follow(library: Path, run: Sequence[Sequence[int]]) -> frozenset[int]:
    """What happens in the last tick of a run, stepped through the deployed controller in its checker.

    Args:
        library: a built checker.
        run: the picks of the start, then those of each tick; choices beyond them are answered with 0.

    Returns:
        Events of the last tick: breaks first, then goals.

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
    return frozenset(i for i in range(c.shape.breaks + c.shape.goals) if events[i // 64] >> i % 64 & 1)
