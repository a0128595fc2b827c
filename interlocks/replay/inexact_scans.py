"""What a log of samples, or of inexact times, says of the scans of the controller.

::

    scan          3     4     5     6     7     8
    sample at 5         ├──── 1 ────┤                  in one of these scans it was 1
    change at 5   0     ?     ?     ?     1     1      0 before, 1 after, nothing in between

A row stands no further than its *accuracy* from the scan it is about, counted from time 0 of the log
in whole scans. Where nobody says how far that is, it is one scan: a logger with a clock of its own
does not know where between two of its rows the controller scans.

- A **sample** says what was so in one of the scans it may be about. Of an input that is a
  *observed level*: it showed this level in one of these scans at least. Of what the controller wrote
  nothing is concluded but in a scan that it must be about. Nothing is said of any other scan.
- A **change** says that the value before lasted up to the first scan it may be about, and the new one
  from the last on. In between it is not known.
- A log that is said to begin at power-on begins with a row of the first scan; the distance of every
  other row to it is known to twice the accuracy only.

Each signal is taken by itself, though they stand in one row: a logger at the terminals may see one
contact before a scan and the other behind it.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import groupby

from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.sim_io.logs.log import CLOCK_SET, POWER, Change, Log, RowMeaning, Signal, Subject, Value

POWER_SIGNAL: Signal = (Subject.POWER, POWER)


@dataclass(frozen=True, slots=True)
class ObservedLevel:
    """An input showed a level in some scan, this one or a later one up to ``last``."""

    name: str
    level: int
    last: int


@dataclass(frozen=True, slots=True)
class InexactStretch:
    """Scans of which a log says the same.

    Attributes:
        first: the first of them.
        end: the scan after the last.
        known: what every signal is in each of them, as far as the log tells.
        observed: levels of inputs, in scans that begin with the first of them.
        clock_set: whether nobody knows how much time passed before the first of them.
        power_off: whether power was off in some scan that begins with the first of them.
    """

    first: int
    end: int
    known: dict[Signal, Value]
    observed: tuple[ObservedLevel, ...] = ()
    clock_set: bool = False
    power_off: bool = False

    @property
    def power(self) -> Value:
        """1 or 0 where it is known whether there is power; None where it is not."""
        return self.known.get(POWER_SIGNAL, 1)


@dataclass
class _Events:
    """What begins in a scan."""

    values: list[tuple[Signal, int, Value]] = field(default_factory=list)  # with the number of its entry
    observed: list[ObservedLevel] = field(default_factory=list)
    clock_set: bool = False
    power_off: bool = False


def inexact_stretches(log: Log, period: Milliseconds) -> Iterator[InexactStretch]:
    """A log stretch by stretch, from the first scan that a row may be about to the last one.

    Args:
        log: read in a stream, in bounded memory.
        period: of the controller.
    """
    reading = _Reading(log, period)
    known: dict[Signal, Value] = {}
    entries: dict[Signal, int] = {}
    now: int | None = None
    observed: tuple[ObservedLevel, ...] = ()
    clock_set = power_off = False
    for scan, events in reading.by_scan():
        if now is None:
            now = scan
        if scan > now:
            yield InexactStretch(now, scan, dict(known), observed, clock_set, power_off)
            now, observed, clock_set, power_off = scan, (), False, False
        clock_set = clock_set or events.clock_set
        power_off = power_off or events.power_off
        observed = (*observed, *events.observed)
        for signal, number, value in sorted(events.values, key=lambda item: item[1]):
            if number >= entries.get(signal, -1):  # else a later entry has made it unknown already
                entries[signal] = number
                known[signal] = value
    if now is not None:
        end = max(now, reading.last) + 1
        yield InexactStretch(now, end, dict(known), observed, clock_set, power_off)


class _Reading:
    """One pass: rows to what begins in which scan."""

    def __init__(self, log: Log, period: Milliseconds) -> None:
        self._log, self._period = log, period
        self._timing = log.header.timing
        self._from_power_on = log.header.from_power_on
        self._zero: Milliseconds | None = None  # time of the row of the first scan
        self.last = -1  # the last scan that a row may be about
        self._waiting: list[tuple[int, int]] = []  # a heap: scans in which something begins
        self._events: dict[int, _Events] = {}
        self._said: dict[Signal, Value] = {}
        self._count = 0

    def by_scan(self) -> Iterator[tuple[int, _Events]]:
        """What begins in each scan in which something does, in their order."""
        for time, group in groupby(self._log.told(), key=lambda change: change.time):
            row = list(group)
            if self._zero is None:
                self._zero = time
            first, last = self._window(time)
            yield from self._ripe(first)
            self._row(row, first, last)
            self.last = max(self.last, last)
        yield from self._ripe(None)

    def _window(self, time: Milliseconds) -> tuple[int, int]:
        """The scans that a row of a time may be about."""
        far, period = self._timing.accuracy, self._period
        if not self._from_power_on or self._zero is None:
            return (time - far) // period, -((-time - far) // period)
        if time == self._zero:
            return time // period, time // period
        earliest = self._zero // period
        away = time - self._zero
        return (
            max(earliest, earliest + (away - 2 * far) // period),
            earliest - ((-away - 2 * far) // period),
        )

    def _at(self, scan: int) -> _Events:
        if scan not in self._events:
            self._events[scan] = _Events()
            heapq.heappush(self._waiting, (scan, scan))
        return self._events[scan]

    def _ripe(self, before: int | None) -> Iterator[tuple[int, _Events]]:
        while self._waiting and (before is None or self._waiting[0][0] < before):
            scan = heapq.heappop(self._waiting)[0]
            yield scan, self._events.pop(scan)

    def _row(self, row: list[Change], first: int, last: int) -> None:
        if any(item.subject is Subject.EVENT and item.name == CLOCK_SET for item in row):
            self._at(first).clock_set = True
        cells = [item for item in row if item.subject is not Subject.EVENT]
        if self._timing.meaning is RowMeaning.SAMPLES:
            self._samples(cells, first, last)
        else:
            for item in cells:
                self._change(item, first, last)
        self._at(first)  # so that the log lasts as long as it has rows

    def _samples(self, cells: list[Change], first: int, last: int) -> None:
        dark = any((item.subject, item.name) == POWER_SIGNAL and item.value != 1 for item in cells)
        for item in cells:
            signal = item.subject, item.name
            if item.value is None:
                continue
            self._count += 1
            if signal == POWER_SIGNAL and not item.value:
                self._at(first).power_off = True
            if first == last:
                self._at(first).values.append((signal, self._count, item.value))
                self._at(last + 1).values.append((signal, self._count, None))
            elif signal == POWER_SIGNAL:
                self._at(first).values.append((signal, self._count, None))
            elif item.subject is Subject.INPUT and not dark:
                self._at(first).observed.append(ObservedLevel(item.name, int(item.value), last))

    def _change(self, item: Change, first: int, last: int) -> None:
        signal = item.subject, item.name
        if signal in self._said and self._said[signal] == item.value:
            return
        self._said[signal] = item.value
        self._count += 1
        if signal == POWER_SIGNAL and item.value == 0:
            self._at(first).power_off = True
        self._at(first).values.append((signal, self._count, None))
        if item.value is not None:
            self._at(last).values.append((signal, self._count, item.value))
