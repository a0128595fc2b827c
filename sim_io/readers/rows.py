"""Rows of a foreign log, in whatever order they stand, to the changes of a log.

::

    rows ─► in order of time (late ones sorted in or skipped, clock jumps) ─► gaps ─► changes

A row is what some signals were at a time. What is missing in it is unknown, unless the
column map says otherwise; what is no value of its signal is unknown too, and counted.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import compress
from operator import ne
from typing import NamedTuple

from stillgate.controller.durations import format_duration
from stillgate.controller.errors import UsageError
from stillgate.controller.quantities import Milliseconds

from ..log import ALIVE, Change, Subject, Value
from ..log_records import decode_event
from ..log_trouble import TroubleBook, TroubleKind
from .columns import ColumnMap
from .values import Missing, NoValue, SignalReader

CLOCK_WAS_SET: Milliseconds = 60_000
"""A step back of this much is a clock that was set, a smaller one a row that came late."""

HOUR: Milliseconds = 3_600_000

DAY: Milliseconds = 24 * HOUR
"""A step ahead of this much is told: a clock that was set, or a machine that was switched off."""

Raw = str | float
"""What stands in a cell: a text, or a number where the file has numbers."""


class Row(NamedTuple):
    """What some signals were at a time."""

    time: Milliseconds  # on the file's own time line
    line: int
    readers: tuple[SignalReader, ...]
    raws: tuple[Raw, ...]  # what stands in the cells of these readers
    event: str = ""  # an event of a trace, as our own log writes it


def _long(time: Milliseconds) -> str:
    """A time that may be of years: from two days on in days, rounded down."""
    return f"{time // DAY} days" if time >= 2 * DAY else format_duration(time)


@dataclass
class RowReading:
    """One pass over the rows of a log.

    Args:
        layout: the column map.
        readers: every column that is a signal.
        zero: time 0 of the log on the file's own time line.
        book: where trouble is noted.
        where: the file, for messages.
        is_local: whether the times are of a clock that may be set for summer.
        is_trace: whether it is a trace of ours, in which every row tells something new.
    """

    layout: ColumnMap
    readers: tuple[SignalReader, ...]
    zero: Milliseconds
    book: TroubleBook
    where: str
    is_local: bool = False
    is_trace: bool = False
    _shift: Milliseconds = 0  # added to the file's times after its clock was set back
    _last: Milliseconds | None = None  # time of the last row, on the log's own time line
    _settled: Row | None = None  # the last row, if all its values were good and still hold

    def changes(self, rows: Iterable[Row]) -> Iterator[Change]:
        """The changes of all rows, by time."""
        for time, row in self._sorted(self._placed(rows)):
            yield from self._gap(time, row)
            self._last = time
            same = self._settled
            if same is None or same.raws != row.raws or same.readers is not row.readers:
                yield from self._cells(row, time)
            if row.event:
                yield from self._event(row, time)
        if self._last is not None and not self.is_trace:  # the last rows may all have said the same
            yield Change(self._last, Subject.EVENT, ALIVE, None)

    def _cells(self, row: Row, time: Milliseconds) -> Iterator[Change]:
        """The values of a row; cells that repeat a row whose values were all good say nothing new."""
        before = self._settled
        self._settled = row
        cells: Iterable[tuple[SignalReader, Raw]] = zip(row.readers, row.raws, strict=True)
        if before is not None and before.readers is row.readers:
            cells = compress(cells, map(ne, row.raws, before.raws))
        for reader, raw in cells:
            value, told = self._value(reader, raw, row.line, time)
            if told:
                yield Change(time, reader.subject, reader.name, value)

    def _value(self, reader: SignalReader, raw: Raw, line: int, time: Milliseconds) -> tuple[Value, bool]:
        """The value of a cell, and whether it says anything."""
        try:
            return (reader.read(raw) if isinstance(raw, str) else reader.read_number(raw)), True
        except Missing:
            if self.layout.empty == "as before":
                return None, False
            self._settled = None
            self.book.note(TroubleKind.MISSING, line, reader.column, time)
        except (NoValue, OverflowError):
            self._settled = None
            self.book.note(TroubleKind.BAD_VALUE, line, f"{reader.column} = {raw}", time)
        return None, True

    def _event(self, row: Row, time: Milliseconds) -> Iterator[Change]:
        name, _, text = row.event.partition(" ")
        try:
            yield Change(time, Subject.EVENT, name, decode_event(row.event)[1] if text else None)
        except ValueError:
            self.book.note(TroubleKind.BAD_VALUE, row.line, f"event {row.event}", time)

    # -- order -------------------------------------------------------------------------------

    def _placed(self, rows: Iterable[Row]) -> Iterator[tuple[Milliseconds, Row]]:
        """Rows on the log's time line; where the clock was set back, as the map says."""
        newest: Milliseconds | None = None
        for row in rows:
            time = row.time - self.zero + self._shift
            if newest is not None and newest - time >= CLOCK_WAS_SET:
                self._set_back(newest, time, row)
                if self.layout.clock == "skip":
                    continue
                self._shift += newest - time
                time = newest
            elif newest is not None and time - newest >= DAY:
                time = self._far_ahead(newest, time, row)
            newest = time if newest is None else max(newest, time)
            yield time, row

    def _set_back(self, newest: Milliseconds, time: Milliseconds, row: Row) -> None:
        back = _long(newest - time)
        if self.layout.clock == "stop":
            zone = " name its 'time: {zone: ...}' if summer time ended here;" if self.is_local else ""
            raise UsageError(
                f"{self.where}:{row.line}: the clock goes back by {back} here; say in the column map "
                f"what that means:{zone} 'clock: continue' goes on from here as if no time had passed, "
                "'clock: skip' leaves rows out until the clock has caught up"
            )
        self.book.note(TroubleKind.CLOCK, row.line, f"{back} back", newest)

    def _far_ahead(self, newest: Milliseconds, time: Milliseconds, row: Row) -> Milliseconds:
        """A step of days ahead: told, and taken as time that passed unless the map says otherwise."""
        passed = self.layout.clock != "continue"
        taken = "taken as time that passed" if passed else "taken as no time"
        self.book.note(TroubleKind.CLOCK, row.line, f"{_long(time - newest)} forward, {taken}", newest)
        if passed:
            return time
        self._shift -= time - newest
        return newest

    def _sorted(self, placed: Iterable[tuple[Milliseconds, Row]]) -> Iterator[tuple[Milliseconds, Row]]:
        """Rows by time: those no later than the map allows in their place, others skipped."""
        window = self.layout.late
        waiting: list[tuple[Milliseconds, int, Row]] = []
        newest: Milliseconds | None = None
        passed: Milliseconds | None = None  # rows before this have been handed on
        for number, (time, row) in enumerate(placed):
            if passed is not None and time < passed:
                said = f"{format_duration(passed - time)} late"
                self.book.note(TroubleKind.LATE, row.line, said, time)
                continue
            if newest is not None and time < newest:
                self.book.note(TroubleKind.SORTED, row.line, f"{format_duration(newest - time)} late", time)
            newest = time if newest is None else max(newest, time)
            if not window:
                passed = time
                yield time, row
                continue
            heapq.heappush(waiting, (time, number, row))
            while waiting[0][0] <= newest - window:
                passed, _, ready = heapq.heappop(waiting)
                yield passed, ready
        while waiting:
            time, _, ready = heapq.heappop(waiting)
            yield time, ready

    def _gap(self, time: Milliseconds, row: Row) -> Iterator[Change]:
        """A pause in sampled rows: from the row that is missing first, everything is unknown."""
        if self._last is None:
            return
        pause, every = time - self._last, self.layout.every
        if every is not None and 2 * pause > 3 * every:
            self._settled = None
            self.book.note(TroubleKind.GAP, row.line, f"{format_duration(pause)} without a row", self._last)
            for reader in self.readers:
                yield Change(min(time, self._last + every), reader.subject, reader.name, None)
        elif self.is_local and HOUR <= pause <= HOUR + CLOCK_WAS_SET:
            said = f"{format_duration(pause)} forward; is it the beginning of summer time?"
            self.book.note(TroubleKind.CLOCK, row.line, said, self._last)
