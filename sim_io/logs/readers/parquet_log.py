"""Reads logs in Apache Parquet: traces of ours, and tables of others through a column map."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from math import isfinite
from pathlib import Path
from typing import Any

from stillgate.controller.errors import UsageError
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine

from ..log import EXACT, Change, Log, LogHeader
from ..log_records import decode_start
from ..log_trouble import TroubleBook, TroubleKind
from ..writers.parquet import HEADER_KEY, load_pyarrow
from ..writers.trace_table import PHYSICAL
from .columns import ColumnMap
from .lines import Progress
from .rows import Row, RowReading
from .signals import KnownSignals
from .tables import require_columns, require_one_each, time_column
from .timestamps import EPOCH, FAR, LAST, MILLISECOND
from .values import UNKNOWN, SignalReader, signal_reader

ROWS_AT_ONCE = 10_000
PER_SECOND = {"s": 1, "ms": 1000, "us": 1_000_000, "ns": 1_000_000_000}

NO_VALUE = "\N{REPLACEMENT CHARACTER}"
"""What a cell that cannot be told is shown as."""


@dataclass(frozen=True)
class ParquetTable:
    """What was settled from the schema of a file."""

    path: Path
    names: tuple[str, ...]
    readers: dict[str, SignalReader]
    time: str  # name of the column with the times
    per_second: int  # of the units in which the times count
    is_date: bool  # whether times are timestamps
    is_local: bool  # whether they are timestamps without a zone
    own: LogHeader | None  # of a trace of ours
    known: KnownSignals

    @property
    def events(self) -> bool:
        """Whether there is a column with the events of a trace."""
        return self.own is not None

    def first_time(self) -> Milliseconds:
        """The time of the first row that has one.

        Raises:
            UsageError: if none has.
        """
        _, pq = load_pyarrow()
        with _reading(self.path), pq.ParquetFile(self.path) as file:
            for batch in file.iter_batches(ROWS_AT_ONCE, columns=[self.time]):
                times = (self._milliseconds(value) for value in _counts(batch.column(0)))
                found = next((time for time in times if time is not None), None)
                if found is not None:
                    return found
        raise UsageError(f"{self.path}: no row has a time in column '{self.time}'")

    def rows(self, book: TroubleBook, progress: Progress | None) -> Iterator[Row]:
        """The rows; their numbers stand for lines."""
        _, pq = load_pyarrow()
        readers = tuple(self.readers.values())
        columns = [self.time, *self.readers, *([self.names[-1]] if self.events else [])]
        with _reading(self.path), pq.ParquetFile(self.path) as file:
            total, number = file.metadata.num_rows, 0
            for batch in file.iter_batches(ROWS_AT_ONCE, columns=columns):
                table = {name: batch.column(name) for name in columns}
                cells = [[self._raw(value) for value in _values(table[name])] for name in self.readers]
                events = _values(table[self.names[-1]]) if self.events else None
                for at, value in enumerate(_counts(table[self.time])):
                    line = number + at + 1
                    time = self._milliseconds(value)
                    if time is None:
                        said = "no time" if value is None else f"no time: {value}"
                        book.note(TroubleKind.UNREADABLE, line, said)
                        continue
                    raws = tuple([column[at] for column in cells])
                    event = (events[at] or "") if events is not None else ""
                    yield Row(time, line, readers, raws, event)
                number += batch.num_rows
                if progress is not None:
                    progress(number, total)

    def _milliseconds(self, value: int | float | None) -> Milliseconds | None:
        """Milliseconds on the file's time line; None where there is no time."""
        if value is None or not isfinite(value) or abs(value) * 1000 > LAST * self.per_second:
            return None
        if isinstance(value, float):  # to the nearest microsecond first: 1.001 s are 1001 ms
            return round(value * 1_000_000 / self.per_second) // 1000
        return value * 1000 // self.per_second

    def _raw(self, value: Any) -> str | float:
        """A value as the readers of cells take it."""
        if value is None:
            return UNKNOWN if self.own is not None else ""
        if isinstance(value, bool):
            return "1" if value else "0"
        if isinstance(value, float):
            return value
        text = str(value)
        return "-" if self.own is not None and not text else text


def open_parquet_log(
    path: Path, machine: Machine | None, layout: ColumnMap, progress: Progress | None = None
) -> Log:
    """A log in Parquet.

    Args:
        path: the file.
        machine: whose signals are looked for; a trace of ours can be read without.
        layout: the column map; a trace of ours needs none.
        progress: told how many rows of how many have been read.

    Raises:
        UsageError: if it cannot be read, lacks columns, or can be read in more than one way.
        ToolMissing: if pyarrow is not installed.
    """
    table = _settle(path, machine, layout)
    header = table.own
    if header is not None:
        zero, started = 0, header.started
    else:
        zero, started = _zero(table)
    told = LogHeader(
        machine=header.machine if header else machine.machine if machine else "",
        digest=header.digest if header else "",
        version=header.version if header else "",
        scan=header.scan if header else machine.scan if machine else None,
        started=started,
        signals=tuple((reader.subject, reader.name) for reader in table.readers.values()),
        zero=str(zero) if zero else "",
        from_power_on=header.from_power_on if header else layout.from_power_on,
        timing=EXACT if header or machine is None else layout.timing(machine.scan),
    )

    def read(book: TroubleBook, *, repeats: bool = False) -> Iterator[Change]:
        for name in table.names:
            if name not in (
                *table.readers,
                table.time,
                *table.names[-1:] * table.events,
            ) and not name.startswith(PHYSICAL):
                book.note(TroubleKind.UNKNOWN_NAME, 0, table.known.hinted(name, told.signals))
        readers = tuple(table.readers.values())
        reading = RowReading(
            layout, readers, zero, book, str(path), table.is_local, is_trace=table.own is not None,
            scan=told.scan or 1, timing=told.timing, repeats=repeats,
        )  # fmt: skip
        yield from reading.changes(table.rows(book, progress))

    return Log(told, read, path, partial(read, repeats=True))


def _settle(path: Path, machine: Machine | None, layout: ColumnMap) -> ParquetTable:
    """The columns, and the form of the times."""
    pa, pq = load_pyarrow()
    with _reading(path), pq.ParquetFile(path) as file:
        schema = file.schema_arrow
        names = tuple(str(name) for name in schema.names)
    metadata = (schema.metadata or {}).get(HEADER_KEY)
    own = _own_header(path, metadata) if metadata else None
    require_columns(str(path), layout, names)
    time = names[0] if own else names[time_column(str(path), layout, names)]
    known = KnownSignals(machine, own.signals if own else None)
    found = {name: signal_reader(name, layout, known, machine) for name in names if name != time}
    readers = {name: reader for name, reader in found.items() if reader is not None}
    require_one_each(str(path), readers.values())
    if not readers:
        KnownSignals(machine, ()).require_some(str(path), found)
    kind = schema.field(time).type
    is_date = bool(pa.types.is_timestamp(kind))
    if not (is_date or pa.types.is_integer(kind) or pa.types.is_floating(kind)):
        raise UsageError(f"{path}: column '{time}' holds {kind}; times are timestamps or numbers")
    unit = kind.unit if is_date else layout.time.kind or time.casefold().lstrip(".").removeprefix("time_")
    if unit not in PER_SECOND:
        raise UsageError(
            f"{path}: the times in column '{time}' are numbers; say their unit in the column map: "
            "'time: {as: s}' or 'ms'"
        )
    local = is_date and kind.tz is None
    return ParquetTable(path, names, readers, time, PER_SECOND[unit], is_date, local, own, known)


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    """Says in one sentence what a library finds wrong with a file.

    Raises:
        UsageError: for a file that is damaged or cannot be opened.
    """
    pa, _ = load_pyarrow()
    try:
        yield
    except (OSError, pa.ArrowException, UnicodeDecodeError) as error:  # the last of a name
        raise UsageError(f"{path}: this Parquet file cannot be read: {_first_line(error)}") from None


def _own_header(path: Path, content: bytes) -> LogHeader:
    try:
        start = decode_start(content.decode())
        return replace(start.header, from_power_on=start.first)
    except ValueError as error:
        raise UsageError(f"{path}: the header of the trace is damaged: {error}") from None


def _zero(table: ParquetTable) -> tuple[Milliseconds, str]:
    """Time 0 of the log on the file's time line, and its date if it is one."""
    first = table.first_time()
    if table.is_date:
        moment = EPOCH + first * MILLISECOND
        iso = moment.replace(tzinfo=None) if table.is_local else moment
        return first, iso.isoformat(timespec="milliseconds")
    return (0, "") if 0 <= first < FAR else (first, "")


def _counts(column: Any) -> list[Any]:
    """The times of a column as numbers."""
    pa, _ = load_pyarrow()
    if pa.types.is_timestamp(column.type):
        column = column.cast(pa.int64())
    found: list[Any] = column.to_pylist()
    return found


def _values(column: Any) -> list[Any]:
    """The values of a column; one that Python cannot hold becomes a text that is no value of any signal.

    Such are bytes of a text that are no UTF-8, and dates before the year 1 or after 9999.
    """
    try:
        found: list[Any] = column.to_pylist()
    except (ValueError, OverflowError):
        found = [_value(item) for item in column]
    return found


def _value(item: Any) -> Any:
    try:
        return item.as_py()
    except (ValueError, OverflowError):
        return NO_VALUE


def _first_line(error: Exception) -> str:
    """The first line of what a library says."""
    return str(error).splitlines()[0] if str(error) else type(error).__name__
