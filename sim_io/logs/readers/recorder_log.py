"""Reads the recorder's own log, with its earlier parts that stand beside it.

What is damaged is counted and skipped, and from there on every signal is unknown until it
is told again: a record that is missing may have changed anything. A recorder that was
started anew begins a stretch of its own, placed by the dates of the two headers.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from stillgate.controller.errors import UsageError
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine

from ..log import ALIVE, POWER, Change, Log, LogHeader, Signal, Subject, Value, signals_of
from ..log_records import Record, RecordKind, Start, decode_event, decode_record, decode_start, decode_values
from ..log_trouble import TroubleBook, TroubleKind
from ..recorder_file import earlier_parts
from .lines import Lines, Progress, size_of_log, start_of
from .signals import KnownSignals

LOOKS_LIKE_OURS = re.compile(rb"\d{1,18} \d{1,18} log \{")
MARK = b"\xef\xbb\xbf"
"""What some editors put before a text in UTF-8."""

LONGEST_HEADER = 2**20
CLOSED = "closed"
RESTART = "restart"
"""Names of the events 'the recorder was closed' and 'the recorder was started anew'."""


def is_own_log(start: bytes) -> bool:
    """Whether a file that begins so is a log of the recorder, or a piece that was cut out of one."""
    text = start.removeprefix(MARK)
    if LOOKS_LIKE_OURS.match(text):
        return True
    return any(decode_record(line.rstrip(b"\r")) is not None for line in text.split(b"\n")[:-1])


def open_own_log(path: Path, machine: Machine | None, progress: Progress | None = None) -> Log:
    """A log of the recorder; its earlier parts are read before it.

    Args:
        path: the file, or one of its parts; those before it that belong to it are read too.
        machine: whose signals are read; None reads all that the log lists.
        progress: told how many bytes of how many have been read.

    Raises:
        UsageError: if it cannot be opened, its header is spoilt and no machine is given, or
            nothing in it belongs to the machine.
    """
    paths = _parts_up_to(path)
    sizes = [size_of_log(item) for item in paths]
    start = _first_header(paths[0], machine)
    known = KnownSignals(machine, start.header.signals)
    known.require_some(str(path), (name for _, name in start.header.signals[1:]))
    header = replace(start.header, signals=known.signals, from_power_on=_from_power_on(paths[0]))
    total = sum(sizes)
    files = [
        Lines(item, size, _shifted(progress, sum(sizes[:index]), total))
        for index, (item, size) in enumerate(zip(paths, sizes, strict=True))
    ]
    return Log(header, lambda book: _Reading(files, machine, header, book).changes(), path)


def _shifted(progress: Progress | None, before: int, total: int) -> Progress | None:
    if progress is None:
        return None
    return lambda done, size: progress(before + done, total)


def _parts_up_to(path: Path) -> list[Path]:
    """The parts of a log in the order they were written, this one last."""
    size_of_log(path)
    part = re.fullmatch(r"(.+)\.(\d{4,9})", path.stem, re.ASCII)
    if part is not None:
        whole = path.with_name(part[1] + path.suffix)
        before = [item for number, item in earlier_parts(whole) if number < int(part[2])]
    else:
        before = [item for _, item in earlier_parts(path)]
    parts = [path]
    while before and not _begins_a_run(parts[0]):
        parts.insert(0, before.pop())
    return [item for item in parts if item == path or item.stat().st_size]


def _begins_a_run(path: Path) -> bool:
    """Whether the recorder was started with this file, so that none before it belongs to it."""
    record = _first_record(path)
    try:
        return record is not None and record.kind is RecordKind.LOG and decode_start(record.rest).first
    except ValueError:
        return False


def _first_record(path: Path) -> Record | None:
    """The first record of a file, if it is whole."""
    line = start_of(path, LONGEST_HEADER).removeprefix(MARK).partition(b"\n")[0]
    return decode_record(line.rstrip(b"\r"))


def _from_power_on(path: Path) -> bool:
    """Whether the first record is of the controller's first scan: times count from there."""
    record = _first_record(path)
    return record is not None and record.time == 0 and _begins_a_run(path)


def _first_header(path: Path, machine: Machine | None) -> Start:
    record = _first_record(path)
    if record is not None and record.kind is RecordKind.LOG:
        try:
            return decode_start(record.rest)
        except ValueError as error:
            raise UsageError(f"{path}: its header cannot be read: {error}") from None
    if machine is None:
        raise UsageError(
            f"{path}:1: the header of the log is damaged or not there; give the machine file as well"
        )
    return Start(LogHeader("", scan=machine.scan, signals=signals_of(machine)), part=1, first=True)


Understood = tuple[Subject, str, Value, bool]
"""What a word of a record says: a signal, its value, and whether it fits."""


@dataclass
class _Reading:
    """One pass over a log."""

    files: list[Lines]
    machine: Machine | None
    header: LogHeader
    book: TroubleBook
    known: KnownSignals = field(init=False)
    heard: dict[Signal, None] = field(init=False)  # every signal that any header so far has listed
    number: int | None = None  # of the last record
    last: Milliseconds = -1  # time of the last change or record, since the log's start
    offset: Milliseconds = 0  # log time of time 0 of the controller that is running
    scan: Milliseconds = 1
    spoilt: bool = False  # records are missing since the last good one
    restarted: bool = False  # a header of a recorder started anew was just read
    words: dict[str, Understood | None] = field(default_factory=dict)  # understood before; they recur

    def __post_init__(self) -> None:
        self.known = KnownSignals(self.machine, self.header.signals)
        self.heard = dict.fromkeys(self.header.signals)
        self.scan = self.header.scan or 1

    def changes(self) -> Iterator[Change]:
        for index, lines in enumerate(self.files):
            last_file = index == len(self.files) - 1
            for line, text, whole in lines.read(self.book):
                content = text.removeprefix(MARK) if line == 1 else text
                record = decode_record(content)
                if record is None:
                    self._damaged(line, content, torn=not whole and last_file)
                else:
                    yield from self._told(record, line)
        if self.spoilt and self.last >= 0:
            yield from self._unknown(self.last + self.scan)

    def _damaged(self, line: int, content: bytes, *, torn: bool) -> None:
        text = content.decode("utf-8", "replace")
        if torn:
            self.book.note(TroubleKind.TORN, line, text)
            return
        looks = decode_looks(content)
        self.book.note(TroubleKind.ALTERED if looks else TroubleKind.UNREADABLE, line, text)
        self.spoilt = True

    def _told(self, record: Record, line: int) -> Iterator[Change]:
        begins = record.kind is RecordKind.LOG and line == 1
        if self.number is not None and record.number <= self.number and not begins:
            self.book.note(TroubleKind.REPEATED, line, f"number {record.number} after {self.number}")
            return
        if record.kind is RecordKind.LOG:
            yield from self._begun(record, line)
            return
        if self.number is None and (record.number > 1 or not self.spoilt):  # more than the header is gone
            said = f"the first record here is number {record.number}"
            self.book.note(TroubleKind.EARLIER, line, said, record.time)
        time = self._place(record, line)
        if record.kind is RecordKind.LOST:
            self.book.note(TroubleKind.LOST, line, f"{record.rest} records could not be written", time)
            self.spoilt = True
        if self.spoilt:
            yield from self._unknown(min(time, self.last + self.scan))
        if self.restarted and record.time == 0:
            yield Change(time, Subject.POWER, POWER, 0)
        self.spoilt = self.restarted = False
        self.last = time
        yield from self._content(record, line, time)

    def _content(self, record: Record, line: int, time: Milliseconds) -> Iterator[Change]:
        try:
            match record.kind:
                case RecordKind.ALL | RecordKind.SET:
                    for word in record.rest.split(" "):
                        if word not in self.words:
                            self.words[word] = self._understood(word)
                        understood = self.words[word]
                        if understood is None:
                            continue
                        subject, name, value, fits = understood
                        if not fits:
                            self.book.note(TroubleKind.BAD_VALUE, line, word, time)
                        yield Change(time, subject, name, value)
                case RecordKind.EVENT:
                    yield Change(time, Subject.EVENT, *decode_event(record.rest))
                case RecordKind.ALIVE:
                    yield Change(time, Subject.EVENT, ALIVE, None)
                case RecordKind.END:
                    yield Change(time, Subject.EVENT, CLOSED, None)
        except ValueError as error:
            self.book.note(TroubleKind.UNREADABLE, line, str(error), time)

    def _understood(self, word: str) -> Understood | None:
        """What one ``NAME=VALUE`` says, and whether the value fits; None if the name is not read.

        Raises:
            ValueError: for a word that is no pair.
        """
        [(written, value)] = decode_values(word)
        signal = self.known.signal(written)
        if signal is None:
            return None
        fits = self.known.fits(*signal, value)
        return (*signal, value if fits else None, fits)

    def _place(self, record: Record, line: int) -> Milliseconds:
        """Log time of a record; notes what is missing before it."""
        if self.number is not None and record.number != self.number + 1 and not self.spoilt:
            said = f"{record.number - self.number - 1} records are missing"
            self.book.note(TroubleKind.LOST, line, said, self.offset + record.time)
            self.spoilt = True
        self.number = record.number
        time = self.offset + record.time
        if time < self.last:
            self.book.note(TroubleKind.CLOCK, line, f"{format_duration(self.last - time)} back", self.last)
            self.offset += self.last - time
            time = self.last
        return time

    def _begun(self, record: Record, line: int) -> Iterator[Change]:
        """A header: of the first file, of a file that goes on, or of a recorder started anew."""
        try:
            start = decode_start(record.rest)
        except ValueError as error:
            self.book.note(TroubleKind.UNREADABLE, line, str(error))
            self.spoilt = True
            return
        self.known = KnownSignals(self.machine, start.header.signals)
        self.words = {}
        self.heard.update(dict.fromkeys(self.known.signals))
        if self.last < 0:
            self.last = record.time
            self.known.note_left_out(self.book, line)
            if not start.first:
                said = f"this file is part {start.part}; time 0 is in the first"
                self.book.note(TroubleKind.EARLIER, line, said, record.time)
        elif start.first:
            yield from self._restart(start, record, line)
        elif self.number is not None and record.number != self.number + 1:
            said = f"a part is missing before part {start.part}"
            self.book.note(TroubleKind.EARLIER, line, said, self.offset + record.time)
            self.spoilt = True
        self.number = record.number

    def _restart(self, start: Start, record: Record, line: int) -> Iterator[Change]:
        """What lies between two runs of a recorder is unknown; their dates say how long it was."""
        yield from self._unknown(self.last + self.scan)
        self.last += self.scan
        between = _between(self.header.started, start.header.started)
        offset = self.last - record.time if between is None else between // self.scan * self.scan
        if offset + record.time < self.last:
            self.book.note(TroubleKind.CLOCK, line, f"started at {start.header.started}", self.last)
            offset = self.last - record.time
        self.offset = offset
        self.scan = start.header.scan or self.scan
        self.last = offset + record.time
        said = f"started at {start.header.started}"
        if start.header.digest != self.header.digest:
            said += f" with another machine file, {start.header.digest[:12]}"
        self.book.note(TroubleKind.RESTART, line, said, self.last)
        yield Change(self.last, Subject.EVENT, RESTART, said)
        self.restarted = True
        self.spoilt = False

    def _unknown(self, time: Milliseconds) -> Iterator[Change]:
        for subject, name in self.heard:
            yield Change(time, subject, name, None)


def decode_looks(content: bytes) -> bool:
    """Whether a line has the look of a record whose bytes were altered."""
    return re.match(rb"\d+ \d+ [a-z]+\b", content) is not None


def _between(first: str, later: str) -> Milliseconds | None:
    try:
        distance = datetime.fromisoformat(later) - datetime.fromisoformat(first)
    except (ValueError, TypeError):
        return None
    return round(distance.total_seconds() * 1000)
