"""The file under a recorder: whole records are appended, or nothing is.

    open   ─► a torn tail (bytes after the last line break) is cut off and counted
    append ─► one write; what a full disk took only in part is taken back
    rotate ─► press.log becomes press.0001.log, press.0002.log, ...; a new press.log begins

A process that is killed loses at most the record it was writing. A computer that loses its
power may lose what the operating system had not yet put on the disk, unless every record
is forced there, which can hold a scan up for as long as the disk takes.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import stat
from pathlib import Path

from .log_records import RecordKind, decode_record

LONGEST_LINE = 2**20
"""Bytes of the longest record that is looked for."""

BLOCK = 2**16
CLOSED = -1
"""A handle that no write succeeds on."""


class NotALog(OSError):  # noqa: N818
    """Something else stands in the file: a recorder never appends to it."""


class RecorderFile:
    """An append-only file of records.

    Args:
        path: the file; made if it is not there.
        force: whether every record is forced to the disk before the scan goes on.

    Attributes:
        size: bytes of whole records.
        cut: bytes of a torn record that were cut off at the opening.
        number: what the next record is to be numbered, after those that were there.

    Raises:
        NotALog: if the file holds anything else.
        OSError: if it cannot be opened, or another recorder is writing it.
    """

    def __init__(self, path: Path, *, force: bool = False) -> None:
        self.path = path
        self.size = 0
        self.cut = 0
        self.number = 0
        self._force = force
        self._torn = False
        self._handle = self._opened()
        try:
            if stat.S_ISREG(os.fstat(self._handle).st_mode):
                self._take_over()
        except BaseException:
            self._let_go()
            raise

    def _take_over(self) -> None:
        """Finds the end of the last whole line of what is there, and cuts off the rest."""
        size = os.fstat(self._handle).st_size
        if size:
            end = _end_of_lines(self._handle, size)
            first = _first_line(self._handle)
            record = decode_record(first) if end else None
            if end and (record is None or record.kind is not RecordKind.LOG):
                raise NotALog(errno.EEXIST, "it is not a log of this recorder and is left as it is")
            if not end and not _may_be_torn_start(first):
                raise NotALog(errno.EEXIST, "it is not a log of this recorder and is left as it is")
            if end < size:
                os.ftruncate(self._handle, end)
                self.cut = size - end
            self.size = end
            self.number = _last_number(self._handle, end) + 1

    def append(self, record: bytes) -> None:
        """Adds records, all or none.

        Raises:
            OSError: if the file could not take them; it is then as before, or begins the next
                append on a line of its own.
        """
        data = b"\n" + record if self._torn else record
        written = 0
        try:
            while written < len(data):
                written += os.write(self._handle, data[written:])
            if self._force:
                os.fsync(self._handle)
        except OSError:
            if written:
                self._take_back(written)
            raise
        self._torn = False
        self.size += len(data)

    def _take_back(self, written: int) -> None:
        """A part of a record was written: cuts it off again, or remembers that it is there."""
        try:
            os.ftruncate(self._handle, self.size)
        except OSError:
            self._torn = True
            self.size += written

    def rotate(self) -> Path:
        """Puts the file away under the next number and begins an empty one in its place.

        Returns:
            where the full file is now.

        Raises:
            OSError: if it cannot be renamed, or the new one not be made; then the old one goes on
                being written, unless it cannot be opened again either (see ``is_open``).
        """
        away = part_path(self.path, max((number for number, _ in earlier_parts(self.path)), default=0) + 1)
        self._let_go()  # some systems rename no file that is open
        try:
            self.path.rename(away)
            try:
                self._handle = self._opened()
            except OSError:
                away.rename(self.path)
                raise
        except OSError:
            with contextlib.suppress(OSError):
                self._handle = self._opened()
            raise
        self.size, self._torn = 0, False
        return away

    @property
    def is_open(self) -> bool:
        """Whether there is a file to write to."""
        return self._handle != CLOSED

    def _opened(self) -> int:
        """A handle of the file, with the lock on it."""
        flags = (
            os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
        )
        handle = os.open(self.path, flags, 0o644)
        try:
            _lock(handle)
        except OSError:
            os.close(handle)
            raise
        return handle

    def _let_go(self) -> None:
        """Closes the handle; its number may soon be another file's."""
        os.close(self._handle)
        self._handle = CLOSED

    def close(self) -> None:
        """Forces what was written to the disk, if it can, and lets the file go."""
        if self.is_open:
            with contextlib.suppress(OSError):
                os.fsync(self._handle)
            self._let_go()


def part_path(path: Path, number: int) -> Path:
    """Name of an earlier part: ``press.0001.log`` of ``press.log``."""
    return path.with_name(f"{path.stem}.{number:04}{path.suffix}")


def earlier_parts(path: Path) -> list[tuple[int, Path]]:
    """The earlier parts of a log that stand beside it, by number."""
    form = re.compile(rf"{re.escape(path.stem)}\.(\d{{4,9}}){re.escape(path.suffix)}", re.ASCII)
    found = []
    for item in path.parent.iterdir():
        match = form.fullmatch(item.name)
        if match and item.is_file():
            found.append((int(match[1]), item))
    return sorted(found)


def _end_of_lines(handle: int, size: int) -> int:
    """Place after the last line break; 0 if there is none."""
    end = size
    while end:
        start = max(0, end - BLOCK)
        os.lseek(handle, start, os.SEEK_SET)
        block = os.read(handle, end - start)
        if not block:
            return 0  # somebody shortened the file meanwhile
        place = block.rfind(b"\n")
        if place >= 0:
            return start + place + 1
        end = start
    return 0


def _last_number(handle: int, end: int) -> int:
    """Number of the last record that is whole; -1 if there is none near the end."""
    start = max(0, end - LONGEST_LINE)
    os.lseek(handle, start, os.SEEK_SET)
    for line in reversed(os.read(handle, end - start).split(b"\n")):
        record = decode_record(line)
        if record is not None:
            return record.number
    return -1


def _first_line(handle: int) -> bytes:
    os.lseek(handle, 0, os.SEEK_SET)
    start = b""
    while b"\n" not in start and len(start) < LONGEST_LINE:
        block = os.read(handle, BLOCK)
        if not block:
            break
        start += block
    return start.partition(b"\n")[0]


def _may_be_torn_start(content: bytes) -> bool:
    """Whether a file without a line break is the beginning of a header that was cut off."""
    return re.match(rb"\d{1,18}( (\d{1,18}( (l(o(g.*)?)?)?)?)?)?$", content, re.DOTALL) is not None


def _lock(handle: int) -> None:
    """Keeps a second recorder out, where the system knows locks.

    Raises:
        OSError: if there is another one.
    """
    try:
        import fcntl
    except ImportError:  # not there on Windows
        return
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise OSError(errno.EBUSY, "another recorder is writing it") from None
    except OSError:
        return  # a file system without locks
