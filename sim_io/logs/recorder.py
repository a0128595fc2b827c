"""The recorder of a running controller: every change, on disk before the next scan.

::

    with Recorder("press.log", executive, machine="press", digest=digest) as recorder:
        while running:
            read_terminals_into(executive.inputs)
            executive.scan()
            recorder.record()
            write_terminals_from(executive.levels)

Each file begins with a header and the value of everything, and everything is told again by the
first change a minute later, or a thousand records later, so that a damaged record spoils a short
stretch only. While nothing changes, a record a minute says that the controller still scans.

**The controller comes first.** Nothing here raises once it is built: a full disk, a folder
that may not be written or a file of somebody else is reported and counted, recording is
tried again about once a second, and the first record that succeeds says how many are missing
and tells everything anew. What a write cannot promise is its time: a disk that hangs, hangs
the scan. Put the log on a disk of its own if that matters.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from types import TracebackType
from typing import Self

from stillgate.controller.execution.executive import Executive
from stillgate.controller.machine_file.field_types import Milliseconds

from .change_capture import ChangeCapture
from .log import Change, LogHeader, Subject, written_names
from .log_records import Record, RecordKind, Start, encode_event, encode_start, encode_values
from .recorder_file import RecorderFile, earlier_parts

ROTATE_AT = 16 * 2**20
"""Bytes after which a new file is begun."""

ALL_AFTER = 1000
ALL_EVERY: Milliseconds = 60_000
"""Records, and time, after which everything is told again by the next change."""

ALIVE_AFTER: Milliseconds = 60_000
"""Longest time without a record."""

LOOK_AFTER: Milliseconds = 10_000
"""Time of the controller between two looks at whether the file still has its name."""

RETRY_AFTER: Milliseconds = 1000
"""Time of the controller between two tries of a recorder that cannot write."""


Draft = tuple[RecordKind, str]
"""A record before it has a number and a time: its kind and what it says."""


class RecorderWarning(UserWarning):
    """The log cannot be written; the controller goes on."""


@dataclass
class RecorderStatus:
    """What a recorder has done so far."""

    records: int = 0  # written
    lost: int = 0  # that could not be written
    failures: int = 0  # times that recording stopped working
    cut: int = 0  # bytes of a torn record found at the opening and cut off
    parts: int = 0  # files put away
    failure: str = ""  # why it cannot write now; '' while it can


class Recorder:
    """Writes an append-only log of one executive.

    Args:
        path: the log. If it is there, it is gone on with; a torn last record is cut off first.
        executive: the controller, before or after its first scan.
        machine: name of the machine.
        digest: SHA-256 of the machine file, so that a reader can tell whether it has the same.
        rotate_at: bytes after which the file is put away and a new one begun.
        keep: how many files put away are kept, the oldest going first; None keeps all.
        force: force every record to the disk before the scan goes on. Survives a loss of the
            computer's power, and makes every scan wait for the disk.
        report: told in one sentence when recording fails and when it works again; if left
            out, a ``RecorderWarning`` is issued.
        clock: date and time now, with its zone; the computer's if left out.

    Attributes:
        status: counters and the present failure, to be shown beside the machine.
    """

    def __init__(
        self,
        path: str | Path,
        executive: Executive,
        *,
        machine: str = "",
        digest: str = "",
        rotate_at: int = ROTATE_AT,
        keep: int | None = None,
        force: bool = False,
        report: Callable[[str], None] | None = None,
        clock: Callable[[], datetime] | None = None,
    ) -> None:
        self.path = Path(path)
        self.status = RecorderStatus()
        self._executive = executive
        self._capture = ChangeCapture(executive)
        self._rotate_at = self._rotate_next = rotate_at
        self._keep = keep
        self._force = force
        self._report = report or _warn
        self._names = written_names(self._capture.signals)
        self._header = LogHeader(
            machine=machine,
            digest=digest,
            version=_own_version(),
            scan=executive.program.period,
            started=_date_of_time_zero(executive, clock() if clock is not None else datetime.now(UTC)),
            signals=self._capture.signals,
        )
        self._file: RecorderFile | None = None
        self._header_due = True
        self._part = 0
        self._number = 0
        self._missing = 0  # records lost since the last one written
        self._told = ALL_AFTER  # records since everything was told
        self._told_at = executive.time_ms  # time of the controller when it was
        self._last = executive.time_ms  # time of the last record, or of the last try
        self._looked = executive.time_ms  # time of the last look at the file's name
        try:
            self._append(self._last, self._open())
        except (OSError, ValueError) as error:
            self._fail(self._last, error)

    # -- recording ---------------------------------------------------------------------------

    def record(self) -> None:
        """Writes what the last scan changed; to be called after every scan."""
        changes = self._capture.look()
        now = self._executive.time_ms
        if self.status.failure:
            self._lose(bool(changes))
            self._try_again(now)
            return
        if now - self._looked >= LOOK_AFTER:
            self._looked = now
            if self._begun_again(now):
                return
        if changes:
            self._write(now, self._drafts(now, changes))
        elif now - self._last >= ALIVE_AFTER:
            self._write(now, [(RecordKind.ALIVE, "")])

    def event(self, name: str, text: str) -> None:
        """Writes something that is no level of a signal, such as an overrun of the scan.

        Args:
            name: one word.
            text: anything.

        Raises:
            ValueError: if the name is not one word.
        """
        if not (name.isidentifier() and name.isascii()):
            raise ValueError(f"the name of an event is one word, not '{name}'")
        if self.status.failure:
            self._lose(1)
        else:
            self._write(self._executive.time_ms, [(RecordKind.EVENT, encode_event(name, text))])

    def close(self) -> None:
        """Writes that the recorder was closed, and closes the file."""
        if self._file is not None:
            if not self.status.failure:
                self._write(self._executive.time_ms, [(RecordKind.END, "")])
            self._file.close()
            self._file = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # -- records -----------------------------------------------------------------------------

    def _drafts(self, now: Milliseconds, changes: tuple[Change, ...]) -> list[Draft]:
        """The records of one scan: events, then one for the levels that changed, or all of them.

        That it is one is relied on: what a reader knows of a scan is then whole or unknown.
        """
        drafts: list[Draft] = [
            (RecordKind.EVENT, encode_event(change.name, str(change.value)))
            for change in changes
            if change.subject is Subject.EVENT
        ]
        levels = [change for change in changes if change.subject is not Subject.EVENT]
        if not levels:
            return drafts
        once = len({(change.subject, change.name) for change in levels}) == len(levels)
        if once and (self._told >= ALL_AFTER or now - self._told_at >= ALL_EVERY):
            return [*drafts, self._everything()]
        return [
            *drafts,
            (
                RecordKind.SET,
                encode_values((self._names[item.subject, item.name], item.value) for item in levels),
            ),
        ]

    def _everything(self) -> Draft:
        values = ((self._names[signal], value) for signal, value in self._capture.everything().items())
        return RecordKind.ALL, encode_values(values)

    # -- the file ----------------------------------------------------------------------------

    def _open(self) -> list[Draft]:
        """Opens the file; returns what there is to say of it.

        Raises:
            OSError: if it cannot be opened or holds something else.
        """
        self._file = RecorderFile(self.path, force=self._force)
        if self._header_due and self._file.size:  # a log that stands there is gone on with
            self._part = 0
        self._header_due |= self._file.size == 0
        if self._part == 0:
            self._number = self._file.number
        if self._file.damaged is not None:
            self._header_due = True
            self.status.parts += 1
            said = f"its beginning is damaged; it was put away as {self._file.damaged.name}"
            self._report(f"{self.path}: {said}, and a new log is begun")
            return [(RecordKind.EVENT, encode_event("begun_anew", said))]
        if not self._file.cut:
            return []
        self.status.cut += self._file.cut
        said = f"{self._file.cut} bytes of a torn record were cut off"
        self._report(f"{self.path}: {said}; recording goes on behind them")
        return [(RecordKind.EVENT, encode_event("cut", said))]

    def _append(self, now: Milliseconds, drafts: list[Draft]) -> None:
        """Gives records their numbers and writes them, a header before them where one is due.

        Raises:
            OSError: if the file does not take them; no number is then used up.
        """
        assert self._file is not None, "writes only while a file is open"
        header = self._header_due
        if header:
            start = Start(self._header, part=self._part + 1, first=self._part == 0)
            drafts = [(RecordKind.LOG, encode_start(start)), *drafts]
        records = [Record(self._number + index, now, *draft) for index, draft in enumerate(drafts)]
        self._file.append(b"".join(record.encoded() for record in records))
        self._part += header
        self._header_due = False
        self._number += len(records)
        self.status.records += len(records)
        everything = any(record.kind is RecordKind.ALL for record in records)
        self._told = 0 if everything else self._told + len(records)
        self._told_at = now if everything else self._told_at
        self._last = now

    def _write(self, now: Milliseconds, drafts: list[Draft]) -> None:
        """Writes records, or reports that it cannot and counts them as lost."""
        try:
            self._append(now, drafts)
        except OSError as error:
            self._lose(len(drafts))
            self._fail(now, error)
            return
        if self._file is not None and self._file.size >= self._rotate_next:
            self._rotate(now)

    def _begun_again(self, now: Milliseconds) -> bool:
        """Whether the file was moved, deleted or replaced: then a new one is begun, with everything."""
        if self._file is None or not self._file.is_elsewhere:
            return False
        said = "the file was moved, deleted or replaced"
        self._file.close()
        self._header_due = True
        try:
            drafts = self._open()
            self._append(
                now, [(RecordKind.EVENT, encode_event("begun_anew", said)), *drafts, self._everything()]
            )
        except (OSError, ValueError) as error:
            self._fail(now, error)
            return True
        self._rotate_next = self._rotate_at
        self._report(f"{self.path}: {said}; what was written since then is there, and a new log is begun")
        return True

    def _rotate(self, now: Milliseconds) -> None:
        assert self._file is not None, "rotates only what is open"
        if self._begun_again(now):
            return
        try:
            self._file.rotate()
        except OSError as error:
            self._rotate_next = self._file.size + self._rotate_at
            self._report(f"{self.path}: no new file could be begun: {error.strerror}; the old one goes on")
            return
        self.status.parts += 1
        self._rotate_next = self._rotate_at
        self._header_due = True
        try:
            self._append(now, [self._everything()])
        except OSError as error:
            self._fail(now, error)
        if self._keep is not None:
            self._forget_parts(self._keep)

    def _forget_parts(self, keep: int) -> None:
        try:
            for _, path in earlier_parts(self.path)[: -keep or None]:
                path.unlink()
        except OSError as error:
            self._report(f"{self.path}: an old part could not be removed: {error.strerror}")

    # -- what goes wrong ---------------------------------------------------------------------

    def _lose(self, count: int) -> None:
        self._missing += count
        self.status.lost += count

    def _fail(self, now: Milliseconds, error: OSError | ValueError) -> None:
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        self._last = now
        self.status.failures += 1
        self.status.failure = why
        self._report(f"{self.path}: the log cannot be written: {why}; the controller goes on without it")

    def _try_again(self, now: Milliseconds) -> None:
        """Now and then tells how much is missing and the value of everything, if the file takes it."""
        if now - self._last < RETRY_AFTER:
            return
        self._last = now
        try:
            drafts = [] if self._file is not None and self._file.is_open else self._open()
            self._append(now, [*drafts, (RecordKind.LOST, str(self._missing)), self._everything()])
        except (OSError, ValueError) as error:
            self.status.failure = str(getattr(error, "strerror", None) or error)
            return
        self._report(f"{self.path}: the log is written again; {self._missing} records are missing in it")
        self.status.failure = ""
        self._missing = 0


def _date_of_time_zero(executive: Executive, now: datetime) -> str:
    return (now - timedelta(milliseconds=executive.time_ms)).isoformat(timespec="milliseconds")


def _own_version() -> str:
    try:
        return version("stillgate")
    except PackageNotFoundError:
        return ""


def _warn(message: str) -> None:
    warnings.warn(message, RecorderWarning, stacklevel=4)
