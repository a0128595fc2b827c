"""A log of exact times by scans of the controller: which scan first saw an input, which wrote an output.

Our own log says it itself, its times being multiples of the scan. Between two scans an input that
changes is first seen by the later one, and an output seen there was written by the earlier one.
What a log of samples or of inexact times says of the scans stands in ``inexact_scans``.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass

from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.sim_io.logs.log import CLOCK_SET, Change, Log, Subject

_SEEN_LATER = frozenset({Subject.INPUT, Subject.POWER})


@dataclass(frozen=True, slots=True)
class ScanChanges:
    """What a log says has changed in one scan."""

    scan: int  # from 0
    changes: tuple[Change, ...]
    clock_set: bool = False  # nobody knows how much time passed since the scan before


def scans_of(log: Log, period: Milliseconds) -> Iterator[ScanChanges]:
    """The changes of a log by scan, scans without a change left out.

    The last one given is the last scan the log knows of, with or without changes.

    Args:
        log: read in a stream, in bounded memory.
        period: of the controller.
    """
    waiting: list[tuple[int, int, Change]] = []  # a heap: by scan, then as logged
    last = -1
    latest = 0
    for number, change in enumerate(log.changes()):
        latest = max(latest, change.time // period)
        scan = -(-change.time // period) if change.subject in _SEEN_LATER else change.time // period
        heapq.heappush(waiting, (scan, number, change))
        # Nothing that is still to come can belong to a scan before this one.
        while waiting and waiting[0][0] < change.time // period:
            group = _take(waiting)
            last = group.scan
            yield group
    while waiting:
        group = _take(waiting)
        last = group.scan
        yield group
    if latest > last:
        yield ScanChanges(latest, ())


def _take(waiting: list[tuple[int, int, Change]]) -> ScanChanges:
    scan = waiting[0][0]
    changes: list[Change] = []
    clock_set = False
    while waiting and waiting[0][0] == scan:
        change = heapq.heappop(waiting)[2]
        if change.subject is not Subject.EVENT:
            changes.append(change)
        clock_set |= change.subject is Subject.EVENT and change.name == CLOCK_SET
    return ScanChanges(scan, tuple(changes), clock_set)
