"""Reads logs in CSV: a row at a time what all columns were, or what one named signal became.

The delimiter is taken from the header line where that leaves one choice. A text between
quotes may hold the delimiter and line breaks, as RFC 4180 has it.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from operator import itemgetter
from pathlib import Path

from stillgate.controller.errors import UsageError
from stillgate.controller.expressions.durations import shorten
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.visible_text import visible

from ..log import EXACT, Change, Log, LogHeader, Signal
from ..log_trouble import TroubleBook, TroubleKind
from ..writers.trace_table import EVENT_COLUMN, PHYSICAL, TIME_COLUMN
from .columns import ColumnMap, TimeColumn
from .lines import Lines, Progress
from .rows import Row, RowReading
from .signals import KnownSignals
from .tables import require_columns, require_one_each, time_column
from .timestamps import LogClock, NotATime, settle_form, zero_of
from .values import SignalReader, signal_reader

DELIMITERS = (",", ";", "\t", "|")


@dataclass(frozen=True)
class CsvShape:
    """What was settled from the first lines of a file."""

    path: Path
    layout: ColumnMap
    delimiter: str
    header: tuple[str, ...]
    time: int  # place of the column with the times
    form: TimeColumn
    readers: dict[int, SignalReader]  # by place; empty if rows name their signal
    by_name: dict[str, SignalReader]  # of logs whose rows name their signal
    event: int | None  # place of a trace's events
    known: KnownSignals


def open_csv_log(
    path: Path, size: int, machine: Machine, layout: ColumnMap, progress: Progress | None = None
) -> Log:
    """A log in CSV.

    Args:
        path: the file.
        size: how many of its bytes are read.
        machine: whose signals are looked for.
        layout: the column map.
        progress: told how many bytes of how many have been read.

    Raises:
        UsageError: if a column is missing, nothing is a signal of the machine, or the file can
            be read in more than one way.
    """
    lines = Lines(path, size)
    rows = _cells(lines, layout, None, TroubleBook())
    header = next(rows, (0, [""]))[1]
    if not header[0].strip():
        raise UsageError(f"{path}:1: there is no header line with the names of the columns")
    if "\r" in header[0]:
        raise UsageError(f"{path}:1: lines that end with CR alone are not read; save it with LF or CR LF")
    delimiter = _delimiter(header[0], path) if layout.delimiter is None else layout.delimiter
    shape, sample = _settle(lines, layout, delimiter, machine)
    book = TroubleBook()
    clock = LogClock(shape.form, layout.decimal or ".", layout.late, book, str(path))
    try:
        first = clock.read(sample[1], sample[0])
    except NotATime:
        unit = shape.form.kind or "ms"
        raise UsageError(
            f"{path}:{sample[0]}: '{shorten(sample[1])}' is not a time in {unit}; say in the column map how "
            "times are written, 'time: {as: ...}'"
        ) from None
    zero, started, said = zero_of(shape.form, first, sample[1], local=clock.is_local)
    told: dict[Signal, None] = {
        (reader.subject, reader.name): None for reader in (shape.readers or shape.by_name).values()
    }
    log_header = LogHeader(
        machine=machine.machine,
        scan=machine.scan,
        started=started,
        signals=tuple(told),
        zone=shape.form.zone or "" if started else "",
        zero=visible(said),
        from_power_on=layout.from_power_on,
        timing=EXACT if _is_trace(shape) else layout.timing(machine.scan),
    )

    def read(book: TroubleBook, *, repeats: bool = False) -> Iterator[Change]:
        clock = LogClock(shape.form, layout.decimal or ".", layout.late, book, str(path))
        readers = tuple((shape.readers or shape.by_name).values())
        reading = RowReading(
            layout, readers, zero, book, str(path),
            is_trace=shape.event is not None, scan=machine.scan, timing=log_header.timing, repeats=repeats,
        )  # fmt: skip
        for place, name in enumerate(shape.header):
            if place != shape.time and not _is_read(shape, place, name):
                book.note(TroubleKind.UNKNOWN_NAME, 1, shape.known.hinted(name, told))
        yield from reading.changes(_rows(shape, Lines(path, size, progress), clock, reading, book))

    return Log(log_header, read, path, partial(read, repeats=True))


def _is_trace(shape: CsvShape) -> bool:
    """Whether it has the columns of a trace of ours, and nobody says that its rows are something else."""
    ours = shape.header[0].lstrip(".") == TIME_COLUMN and shape.header[-1].lstrip(".") == EVENT_COLUMN
    return ours and shape.event is not None and shape.layout.every is None and shape.layout.accuracy is None


def _is_read(shape: CsvShape, place: int, name: str) -> bool:
    return (
        place in shape.readers
        or place == shape.event
        or name in (shape.layout.name, shape.layout.value)
        or name.startswith(PHYSICAL)
    )


def _rows(
    shape: CsvShape, lines: Lines, clock: LogClock, reading: RowReading, book: TroubleBook
) -> Iterator[Row]:
    """The rows of a file, those that cannot be read noted and left out."""
    width = len(shape.header)
    readers = tuple(shape.readers.values())
    of_readers = _picker(tuple(shape.readers))
    cells = _cells(lines, shape.layout, shape.delimiter, book)
    next(cells, None)
    for line, row in cells:
        if not row:
            continue
        if len(row) != width:
            said = f"{len(row)} columns instead of {width}: {shape.delimiter.join(row)}"
            book.note(TroubleKind.UNREADABLE, line, said)
            continue
        try:
            time = clock.read(row[shape.time], line)
        except NotATime:
            book.note(TroubleKind.UNREADABLE, line, f"no time: {shape.delimiter.join(row)}")
            continue
        reading.is_local = clock.is_local
        if shape.by_name:
            yield from _named(shape, row, time, line, book)
        else:
            event = row[shape.event] if shape.event is not None else ""
            yield Row(time, line, readers, of_readers(row), event)


def _picker(places: tuple[int, ...]) -> Callable[[list[str]], tuple[str, ...]]:
    """Picks the cells at some places of a row, for every row of a long file."""
    if len(places) > 1:
        return itemgetter(*places)
    return lambda row: tuple(row[place] for place in places)


def _named(shape: CsvShape, row: list[str], time: int, line: int, book: TroubleBook) -> Iterator[Row]:
    """A row that names one signal."""
    name = row[shape.header.index(str(shape.layout.name))].strip()
    reader = shape.by_name.get(name)
    if reader is None:
        book.note(TroubleKind.UNKNOWN_NAME, line, shape.known.hinted(name, ()))
        return
    yield Row(time, line, (reader,), (row[shape.header.index(str(shape.layout.value))],))


def _cells(
    lines: Lines, layout: ColumnMap, delimiter: str | None, book: TroubleBook
) -> Iterator[tuple[int, list[str]]]:
    """Line number and cells of every row; without a delimiter, each line as one cell."""
    number = 0

    def texts() -> Iterator[str]:
        nonlocal number
        for at, content, _ in lines.read(book):
            number = at
            try:
                yield (
                    content.decode("utf-8-sig" if at == 1 and layout.encoding == "utf-8" else layout.encoding)
                    + "\n"
                )
            except UnicodeDecodeError:
                if at == 1:
                    raise UsageError(
                        f"{lines.path}:1: the header is no text in {layout.encoding}; say in the column map "
                        "how the file is encoded, for example 'encoding: cp1252'"
                    ) from None
                book.note(TroubleKind.UNREADABLE, at, content.decode("ascii", "replace"))

    if delimiter is None:
        for text in texts():
            yield number, [text.rstrip("\n")]
        return
    reader = csv.reader(texts(), delimiter=delimiter)
    while True:
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            book.note(TroubleKind.UNREADABLE, number, str(error))
            continue
        yield number, row


def _delimiter(header: str, path: Path) -> str:
    """The one delimiter that the header line has."""
    found = [mark for mark in DELIMITERS if mark in header]
    if len(found) == 1:
        return found[0]
    why = "has " + " and ".join(repr(mark) for mark in found) if found else "has no ',', ';', tab or '|'"
    raise UsageError(
        f"{path}:1: the header {why}; say in the column map what stands between two columns, "
        "for example \"delimiter: ';'\""
    )


def _settle(
    lines: Lines, layout: ColumnMap, delimiter: str, machine: Machine
) -> tuple[CsvShape, tuple[int, str]]:
    """The columns and the form of the times, and the first time with its line."""
    path, known = lines.path, KnownSignals(machine)
    if len(delimiter) != 1 or delimiter in '\r\n"':
        raise UsageError(
            f"{path}: a delimiter is one character and no quote or line break, not '{shorten(delimiter)}'"
        )
    cells = _cells(lines, layout, delimiter, TroubleBook())
    header = tuple(name.strip() for name in next(cells)[1])
    require_columns(f"{path}:1", layout, header)
    time = time_column(f"{path}:1", layout, header)
    readers: dict[int, SignalReader] = {}
    by_name: dict[str, SignalReader] = {}
    if layout.name is not None:
        names = [*layout.columns, *(name for _, name in known.signals)]
        found = {name: signal_reader(name, layout, known, machine) for name in names}
        by_name = {name: reader for name, reader in found.items() if reader is not None}
    else:
        places = (
            (at, signal_reader(name, layout, known, machine)) for at, name in enumerate(header) if at != time
        )
        readers = {at: reader for at, reader in places if reader is not None}
        require_one_each(f"{path}:1", readers.values())
        if not readers:
            names = [name for at, name in enumerate(header) if at != time]
            KnownSignals(machine, ()).require_some(f"{path}:1", names)
    sample = next(
        ((line, row[time]) for line, row in cells if len(row) == len(header) and row[time].strip()), None
    )
    if sample is None:
        raise UsageError(f"{path}: there is a header, and no row with a time after it")
    form = settle_form(layout.time, header[time], sample[1], layout.decimal, f"{path}:{sample[0]}")
    event = f".{EVENT_COLUMN}" if f".{EVENT_COLUMN}" in header else EVENT_COLUMN
    events = header.index(event) if event in header and known.signal(event) is None else None
    return CsvShape(path, layout, delimiter, header, time, form, readers, by_name, events, known), sample
