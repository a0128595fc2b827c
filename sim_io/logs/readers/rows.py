"""Rows of a foreign log, in whatever order they stand, to the changes of a log.

::

    rows ─► in order of time (late ones sorted in or skipped, clock jumps) ─► gaps ─► changes

A row is what some signals were at a time. What is missing in it is unknown, unless the
column map says otherwise; what is no value of its signal is unknown too, and counted. Where a row
could not be read or came too late, and where the clock was set, everything is unknown until it is
told again: what is missing may have changed anything.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import compress
from operator import ne
from typing import NamedTuple

from stillgate.controller.errors import UsageError
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.visible_text import visible

from ..log import ALIVE, CLOCK_SET, EXACT, Change, RowMeaning, Subject, Timing, Value
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
    after_loss: bool = False  # rows are missing between the one before and this one
    clock_set: bool = False  # so is the time that passed


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
        scan: period of the controller.
        timing: what the times say of its scans.
        repeats: whether what a row repeats is given again.
    """

    layout: ColumnMap
    readers: tuple[SignalReader, ...]
    zero: Milliseconds
    book: TroubleBook
    where: str
    is_local: bool = False
    is_trace: bool = False
    scan: Milliseconds = 1
    timing: Timing = EXACT
    repeats: bool = False
    _shift: Milliseconds = 0  # added to the file's times after its clock was set back
    _last: Milliseconds | None = None  # time of the last row, on the log's own time line
    _settled: Row | None = None  # the last row, if all its values were good and still hold

    def changes(self, rows: Iterable[Row]) -> Iterator[Change]:
        """The changes of all rows, by time."""
        for time, row in self._sorted(self._placed(rows)):
            self._require_scan(time, row)
            yield from self._gap(time, row)
            yield from self._loss(time, row)
            self._last = time
            same = None if self.repeats else self._settled
            if same is None or same.raws != row.raws or same.readers is not row.readers:
                yield from self._cells(row, time)
            if row.event:
                yield from self._event(row, time)
        if self._last is not None and not self.is_trace:  # the last rows may all have said the same
            yield Change(self._last, Subject.EVENT, ALIVE, None)

    def _cells(self, row: Row, time: Milliseconds) -> Iterator[Change]:
        """The values of a row; cells that repeat a row whose values were all good say nothing new."""
        before = None if self.repeats else self._settled
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
            yield Change(time, Subject.EVENT, visible(name), decode_event(row.event)[1] if text else None)
        except ValueError:
            self.book.note(TroubleKind.BAD_VALUE, row.line, f"event {row.event}", time)

    # -- order -------------------------------------------------------------------------------

    def _placed(self, rows: Iterable[Row]) -> Iterator[tuple[Milliseconds, Row]]:
        """Rows on the log's time line; where the clock was set back, as the map says."""
        newest: Milliseconds | None = None
        skipped, missing = False, 0
        for given in rows:
            row, time = given, given.time - self.zero + self._shift
            if self.book.missing() > missing:
                row, missing = row._replace(after_loss=True), self.book.missing()
            if newest is not None and newest - time >= CLOCK_WAS_SET:
                self._set_back(newest, time, row)
                if self.layout.clock == "skip":
                    skipped = True
                    continue
                row, time = self._moved(newest, time, row)
            elif newest is not None and time - newest >= DAY:
                self._far_ahead(newest, time, row)
                if self.layout.clock == "continue":
                    row, time = self._moved(newest, time, row)
            if skipped and newest is not None:
                if time < newest + self._pause():
                    continue  # the clock has not caught up for good
                row, skipped = row._replace(clock_set=True), False
            newest = time if newest is None else max(newest, time)
            yield time, row

    def _pause(self) -> Milliseconds:
        """How far the first row of a clock that was set is put behind the last one of the old one.

        As if the next row came in time; no scan can be meant by both.
        """
        apart = self.layout.every or self.scan
        return (
            apart
            if self.timing.meaning is RowMeaning.SCANS
            else apart + 4 * self.timing.accuracy + 2 * self.scan
        )

    def _moved(self, newest: Milliseconds, time: Milliseconds, row: Row) -> tuple[Row, Milliseconds]:
        """A row whose clock was set, behind the last one; so are all that follow."""
        pause = self._pause()
        self._shift += newest + pause - time
        return row._replace(clock_set=True), newest + pause

    def _set_back(self, newest: Milliseconds, time: Milliseconds, row: Row) -> None:
        back = _long(newest - time)
        if self.layout.clock == "stop":
            zone = " name its 'time: {zone: ...}' if summer time ended here;" if self.is_local else ""
            raise UsageError(
                f"{self.where}:{row.line}: the clock goes back by {back} here; say in the column map "
                f"what that means:{zone} 'clock: continue' goes on as if the next row had come in time, "
                "'clock: skip' leaves rows out until the clock has caught up"
            )
        self.book.note(TroubleKind.CLOCK, row.line, f"{back} back", newest)

    def _far_ahead(self, newest: Milliseconds, time: Milliseconds, row: Row) -> None:
        """A step of days ahead: told, and taken as time that passed unless the map says otherwise."""
        passed = self.layout.clock != "continue"
        taken = "taken as time that passed" if passed else "taken as a clock that was set"
        self.book.note(TroubleKind.CLOCK, row.line, f"{_long(time - newest)} forward, {taken}", newest)

    def _sorted(self, placed: Iterable[tuple[Milliseconds, Row]]) -> Iterator[tuple[Milliseconds, Row]]:
        """Rows by time: those no later than the map allows in their place, others skipped."""
        window = self.layout.late
        waiting: list[tuple[Milliseconds, int, Row]] = []
        newest: Milliseconds | None = None
        passed: Milliseconds | None = None  # rows before this have been handed on
        late = False
        for number, (time, row) in enumerate(placed):
            if passed is not None and time < passed:
                said = f"{format_duration(passed - time)} late"
                self.book.note(TroubleKind.LATE, row.line, said, time)
                late = True
                continue
            if late:  # what it said can no longer be put in its place
                row, late = row._replace(after_loss=True), False  # noqa: PLW2901
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

    def _require_scan(self, time: Milliseconds, row: Row) -> None:
        """Refuses a row that is said to stand at the time of a scan and does not."""
        if self.layout.accuracy == 0 and self.timing.meaning is RowMeaning.SCANS and time % self.scan:
            raise UsageError(
                f"{self.where}:{row.line}: 'accuracy: 0 ms' says that every row stands at the time of a "
                f"scan, but this one is at {format_duration(time)} and the machine scans every "
                f"{format_duration(self.scan)}; say in the column map how far rows may be from their scan, "
                f"'accuracy: {format_duration(self.scan)}' at least for a logger with a clock of its own"
            )

    def _loss(self, time: Milliseconds, row: Row) -> Iterator[Change]:
        """Rows are missing, or an unknown time: everything is unknown until it is told again."""
        if not (row.after_loss or row.clock_set):
            return
        self._settled = None
        since = time
        if self._last is not None:
            # A table tells everything in one row, so what is missing came after it.
            whole = len(row.readers) == len(self.readers)
            since = min(time, self._last + self.scan) if whole else self._last
        for reader in self.readers:
            yield Change(since, reader.subject, reader.name, None)
        if self._last is None or row.clock_set:
            yield Change(time, Subject.EVENT, CLOCK_SET, None)

    def _gap(self, time: Milliseconds, row: Row) -> Iterator[Change]:
        """A pause in sampled rows: from the row that is missing first, everything is unknown."""
        if self._last is None:
            return
        pause, every = time - self._last, self.layout.every
        if every is not None and 2 * pause > 3 * every:
            self._settled = None
            self.book.note(TroubleKind.GAP, row.line, f"{_long(pause)} without a row", self._last)
            for reader in self.readers:
                yield Change(min(time, self._last + every), reader.subject, reader.name, None)
        elif self.is_local and HOUR <= pause <= HOUR + CLOCK_WAS_SET:
            said = f"{format_duration(pause)} forward; is it the beginning of summer time?"
            self.book.note(TroubleKind.CLOCK, row.line, said, self._last)
