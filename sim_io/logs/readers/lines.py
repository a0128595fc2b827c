"""The lines of a file that may be huge, still growing, or cut off: read in bounded memory.

How much there is to read is settled when the log is opened, so that every pass over it reads
the same, however long the file grows meanwhile.
"""

from __future__ import annotations

import stat
from collections.abc import Callable, Iterator
from difflib import get_close_matches
from itertools import islice
from pathlib import Path

from stillgate.controller.errors import UsageError

from ..log_trouble import TroubleBook, TroubleKind

LONGEST_LINE = 2**20
"""Bytes of a line; what is longer is not a log of ours, and is skipped in pieces."""

LOOKED_AT = 4096
"""Bytes from the start of a file that decide about its format."""

TOLD_EVERY = 2**20
"""Bytes between two reports of progress."""

Progress = Callable[[int, int], None]
"""Told how many bytes of how many have been read."""


def size_of_log(path: Path) -> int:
    """Bytes of a log file.

    Raises:
        UsageError: in one sentence, if there is no such file, it is a folder, empty, or not a
            plain file.
    """
    try:
        status = path.stat()
    except FileNotFoundError:
        raise UsageError(f"{path}: there is no such file{_near(path)}") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "the name is impossible"
        raise UsageError(f"{path}: the file cannot be read: {why.lower()}") from None
    if stat.S_ISDIR(status.st_mode):
        raise UsageError(f"{path}: this is a folder; name the log file in it")
    if not stat.S_ISREG(status.st_mode):
        raise UsageError(f"{path}: this is not a plain file; write it to one first")
    if status.st_size == 0:
        raise UsageError(f"{path}: the file is empty: nothing was recorded in it")
    return status.st_size


def start_of(path: Path, length: int) -> bytes:
    """The first bytes of a file.

    Raises:
        UsageError: if it may not be read.
    """
    try:
        with path.open("rb") as stream:
            return stream.read(length)
    except OSError as error:
        raise UsageError(f"{path}: the file cannot be read: {(error.strerror or '').lower()}") from None


def end_of(path: Path, size: int, length: int) -> bytes:
    """The last bytes of a file that has so many.

    Raises:
        UsageError: if it may not be read.
    """
    try:
        with path.open("rb") as stream:
            stream.seek(max(0, size - length))
            return stream.read(length)
    except OSError as error:
        raise UsageError(f"{path}: the file cannot be read: {(error.strerror or '').lower()}") from None


def _near(path: Path) -> str:
    try:
        names = [item.name for item in islice(path.parent.iterdir(), 1000) if item.is_file()]
    except OSError:
        return ", nor its folder"
    close = get_close_matches(path.name, names, n=1, cutoff=0.6)
    return f"; did you mean '{path.with_name(close[0])}'?" if close else ""


class Lines:
    """The lines of a file as it was when this was made.

    Args:
        path: a plain file.
        size: its bytes; what comes after them is not read.
        progress: told from time to time how far the reading is.
    """

    def __init__(self, path: Path, size: int, progress: Progress | None = None) -> None:
        self.path, self.size = path, size
        self._progress = progress

    def read(self, book: TroubleBook) -> Iterator[tuple[int, bytes, bool]]:
        """Number from 1, content without the line break, and whether a break ended it.

        Only the last line may lack its break. Lines that are too long are noted and skipped.

        Raises:
            UsageError: if the file may not be read any more.
        """
        done, told, number = 0, 0, 0
        try:
            with self.path.open("rb") as stream:
                while done < self.size:
                    line = stream.readline(min(LONGEST_LINE, self.size - done))
                    if not line:
                        break  # somebody shortened it
                    done += len(line)
                    number += 1
                    whole = line.endswith(b"\n")
                    if not whole and done < self.size:
                        book.note(TroubleKind.UNREADABLE, number, f"longer than {LONGEST_LINE} bytes")
                        done += self._skip_line(stream, self.size - done)
                    else:
                        yield number, line.rstrip(b"\r\n"), whole
                    if self._progress is not None and done - told >= TOLD_EVERY:
                        told = done
                        self._progress(done, self.size)
                if self.path.stat().st_size > self.size:
                    book.note(TroubleKind.GREW, number, f"read up to byte {self.size}")
        except OSError as error:
            raise UsageError(f"{self.path}: reading failed: {(error.strerror or '').lower()}") from None

    @staticmethod
    def _skip_line(stream: object, left: int) -> int:
        skipped = 0
        while skipped < left:
            piece: bytes = stream.readline(min(LONGEST_LINE, left - skipped))  # type: ignore[attr-defined]
            skipped += len(piece)
            if not piece or piece.endswith(b"\n"):
                break
        return skipped
