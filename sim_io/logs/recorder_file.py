"""The file under a recorder: whole records are appended, or nothing is.

    open   ─► a torn tail (bytes after the last line break) is cut off and counted;
              a log whose beginning is damaged becomes press.damaged.0001.log, and a new one begins
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
from itertools import count
from pathlib import Path

from .log_records import RecordKind, decode_record

LONGEST_LINE = 2**20
"""Bytes of the longest record that is looked for."""

BLOCK = 2**16
OURS = re.compile(rb"^\d{1,18} \d{1,18} log \{|\"stillgate recording \d", re.MULTILINE)
"""What no file of somebody else holds."""

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
        damaged: where a file is now that could not be gone on with; None if there was none.

    Raises:
        NotALog: if the file holds a text of somebody else.
        OSError: if it cannot be opened, or another recorder is writing it.
    """

    def __init__(self, path: Path, *, force: bool = False) -> None:
        self.path = path
        self.size = 0
        self.cut = 0
        self.number = 0
        self.damaged: Path | None = None
        self._force = force
        self._torn = False
        self._handle = self._opened()
        try:
            if stat.S_ISREG(os.fstat(self._handle).st_mode):
                self._take_over()
        except BaseException:
            self.close()
            raise

    def _take_over(self) -> None:
        """Finds the end of the last whole line of what is there, and cuts off the rest."""
        size = os.fstat(self._handle).st_size
        if not size:
            return
        end = _end_of_lines(self._handle, size)
        first = _first_line(self._handle)
        record = decode_record(first) if end else None
        begins_well = record is not None and record.kind is RecordKind.LOG
        if not begins_well and (end or not _may_be_torn_start(first)):
            if _is_text_of_others(self._handle, size):
                raise NotALog(errno.EEXIST, "it is not a log of this recorder and is left as it is")
            self._put_damaged_away()
            return
        if end < size:
            os.ftruncate(self._handle, end)
            self.cut = size - end
        self.size = end
        self.number = _last_number(self._handle, end) + 1

    def _put_damaged_away(self) -> None:
        """Keeps every byte of a file that cannot be gone on with, and begins an empty one in its place.

        Raises:
            OSError: if it cannot be renamed.
        """
        numbers = (path for path in (damaged_path(self.path, number) for number in count(1)))
        away = next(path for path in numbers if not path.exists())
        self._let_go()  # some systems rename no file that is open
        self.path.rename(away)
        self._handle = self._opened()
        self.damaged = away

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
    def is_elsewhere(self) -> bool:
        """Whether the file that is open is no more the one of that name: moved, deleted or replaced."""
        if not self.is_open:
            return False
        ours = os.fstat(self._handle)
        try:
            there = self.path.stat()
        except FileNotFoundError:
            return True
        except OSError:
            return False  # it cannot be looked at; what is written goes where it went
        return (ours.st_dev, ours.st_ino) != (there.st_dev, there.st_ino)

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


def damaged_path(path: Path, number: int) -> Path:
    """Name of a file that was put away because it is damaged; not that of a part."""
    return path.with_name(f"{path.stem}.damaged.{number:04}{path.suffix}")


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


def _is_text_of_others(handle: int, size: int) -> bool:
    """Whether somebody may have written this: text throughout, and no record of ours in it.

    What a computer leaves that lost its power is no text: zeros, or what stood on the disk before.
    """
    beginning = _piece(handle, 0, min(size, LONGEST_LINE))
    end = _piece(handle, max(0, size - LONGEST_LINE), min(size, LONGEST_LINE))
    for piece in (beginning, end):
        if OURS.search(piece) or any(decode_record(line) for line in piece.split(b"\n")):
            return False
    try:
        text = (beginning + b"\n" + end if size > LONGEST_LINE else beginning).decode("utf-8", "strict")
    except UnicodeDecodeError as error:
        # A character may be cut in two where a large file was.
        if size <= LONGEST_LINE or error.start < LONGEST_LINE - 4 or error.start > LONGEST_LINE + 4:
            return False
        text = ""
    return not any(c < " " and c not in "\t\n\r\f" for c in text)


def _piece(handle: int, start: int, length: int) -> bytes:
    os.lseek(handle, start, os.SEEK_SET)
    found = b""
    while len(found) < length and (block := os.read(handle, length - len(found))):
        found += block
    return found


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
