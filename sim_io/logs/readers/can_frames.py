"""The frames of a CAN log, read by python-can, which is started again after what it cannot read.

python-can's readers end at the first line they do not understand. Here each is fed line by
line (text) or object by object (binary), so that what it stumbles over is known, counted and
quoted, and a new reader goes on behind it.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any, BinaryIO

from stillgate.controller.errors import ToolMissing, UsageError

from ..log_trouble import TroubleBook, TroubleKind
from .lines import Lines, Progress

if TYPE_CHECKING:
    from can import Message

MISSING = "CAN logs need the libraries python-can and cantools: pip install 'stillgate[can]'"

SCREEN = re.compile(
    r"\s*\((?P<time>\d+\.\d+)\)\s+(?P<channel>\S+)\s+(?P<id>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})\s+"
    r"\[0?(?P<length>\d)\]\s*(?P<data>(?:[0-9A-Fa-f]{2}\s*)*)(?:'.*')?\s*"
)
"""A line as candump shows it on a screen; with ``-L`` it writes what python-can reads."""

ASC_HEAD = re.compile(r"\s*(date\s|base\s)", re.IGNORECASE)
ASC_RELATIVE = re.compile(r"\s*base\s+\w+\s+timestamps\s+relative", re.IGNORECASE)
ASC_FRAME = re.compile(r"\s*\d+\.\d+\s+(CANFD\b|\d+\s+[0-9A-Fa-f]+x?\s)", re.IGNORECASE)
"""A line that ought to give a frame."""

BLF_FILE = b"LOGG"
BLF_MARK = b"LOBJ"
BLF_BLOCK = 2**16

Failure = (ValueError, IndexError, KeyError, TypeError, OverflowError, AttributeError)
"""What python-can meets broken lines with."""


CANDUMP_LINE = re.compile(rb"^\s*\(\d+\.\d+\)\s+\S+\s+[0-9A-Fa-f]{3,8}(#|\s+\[)", re.MULTILINE)
ASC_LINE = re.compile(rb"^\s*(date\s+\w+\s+\w+\s+\d|base\s+(hex|dec)\b)", re.MULTILINE | re.IGNORECASE)


class CanFormat(Enum):
    """How a CAN log is written."""

    CANDUMP = "candump"
    ASC = "asc"
    BLF = "blf"


def can_format(start: bytes) -> CanFormat | None:
    """The format of a file that begins so; the first lines may be spoilt."""
    if start.startswith(BLF_FILE):
        return CanFormat.BLF
    if CANDUMP_LINE.search(start):
        return CanFormat.CANDUMP
    return CanFormat.ASC if ASC_LINE.search(start) else None


@dataclass(frozen=True, slots=True)
class Frame:
    """A message and the line it was on; of a binary log the number of the message."""

    line: int
    message: Message


def candump_frames(lines: Lines, book: TroubleBook) -> Iterator[Frame]:
    """The frames of a text of candump.

    Raises:
        ToolMissing: if python-can is not installed.
    """
    can = load_can()
    feed = _Feed(_as_logged(text) for text in _texts(lines, book))
    while not feed.empty:
        try:
            for message in can.CanutilsLogReader(feed):
                yield Frame(feed.number, message)
        except Failure:
            book.note(TroubleKind.UNREADABLE, feed.number, feed.line)


def _as_logged(numbered: tuple[int, str]) -> tuple[int, str]:
    """A line of the screen form in the form of ``candump -L``."""
    number, text = numbered
    match = SCREEN.fullmatch(text.rstrip("\n"))
    if match is None:
        return numbered
    data = "".join(match["data"].split())
    return number, f"({match['time']}) {match['channel']} {match['id']}#{data}\n"


def asc_frames(lines: Lines, book: TroubleBook) -> Iterator[Frame]:
    """The frames of an ASC text.

    Raises:
        ToolMissing: if python-can is not installed.
        UsageError: if its times count from one event to the next.
    """
    can = load_can()
    head: list[str] = []
    feed = _Feed(_texts(lines, book), book=book, expected=ASC_FRAME)
    for text in feed:
        if ASC_RELATIVE.match(text):
            raise UsageError(
                f"{lines.path}:{feed.number}: the times of this log count from one event to the next, which "
                "cannot be read; save it with absolute times"
            )
        if ASC_HEAD.match(text):
            head.append(text)
        elif not text.startswith("//"):
            feed.push_back(text)
            break
    while not feed.empty:
        # The reader takes one line more than the header; this one means nothing to it.
        feed.lead([*head, "no internal events logged\n"])
        try:
            for message in can.ASCReader(feed):
                feed.understood()
                yield Frame(feed.number, message)
        except Failure:
            feed.understood()
            book.note(TroubleKind.UNREADABLE, feed.number, feed.line)


def _texts(lines: Lines, book: TroubleBook) -> Iterator[tuple[int, str]]:
    for number, content, _ in lines.read(book):
        yield number, content.decode("latin-1") + "\n"


class _Feed:
    """A text file as python-can's readers take it, which knows the line it has given last.

    With ``expected``, a line that looks so and that nothing was made of is noted.
    """

    def __init__(
        self,
        lines: Iterable[tuple[int, str]],
        *,
        book: TroubleBook | None = None,
        expected: re.Pattern[str] | None = None,
    ) -> None:
        self._lines = iter(lines)
        self._waiting: list[tuple[int, str]] = []
        self._book, self._expected = book, expected
        self._open = False
        self.number, self.line, self.empty = 0, "", False

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        self._settle()
        try:
            self.number, self.line = self._waiting.pop(0) if self._waiting else next(self._lines)
        except StopIteration:
            self.empty = True
            raise
        self._open = self._expected is not None and self._expected.match(self.line) is not None
        return self.line

    def _settle(self) -> None:
        if self._open and self._book is not None:
            self._book.note(TroubleKind.UNREADABLE, self.number, self.line)
        self._open = False

    def understood(self) -> None:
        """The line was a frame, or has been noted already."""
        self._open = False

    def push_back(self, text: str) -> None:
        """Gives a line again."""
        self._open = False
        self._waiting.insert(0, (self.number, text))

    def lead(self, lines: list[str]) -> None:
        """Gives these lines next."""
        self._waiting[:0] = [(self.number, line) for line in lines]

    def read(self, size: int = -1) -> str:
        """Readers take lines; this only makes it look like a file."""
        raise io.UnsupportedOperation("read")

    def close(self) -> None:
        """The file stays open: another reader may go on."""


# -- binary ----------------------------------------------------------------------------------


def blf_frames(
    stream: BinaryIO, size: int, book: TroubleBook, progress: Progress | None = None
) -> Iterator[Frame]:
    """The frames of a BLF file; behind a spoilt object the next one is looked for.

    Raises:
        ToolMissing: if python-can is not installed.
    """
    can = load_can()
    import struct
    import zlib

    from can.io.blf import BLFParseError

    header = stream.read(8)
    header += stream.read(max(0, int.from_bytes(header[4:8], "little") - 8))
    number = 0
    while stream.tell() < size:
        begun = stream.tell()
        try:
            reader = can.BLFReader(_Spliced(header, stream, size))
            if number == 0 and reader.file_size > size:
                said = f"the header says {reader.file_size} bytes, the file has {size}"
                book.note(TroubleKind.TORN, 0, said)
            for message in reader:
                number += 1
                yield Frame(number, message)
                if progress is not None and number % 10_000 == 0:
                    progress(stream.tell(), size)
        except (BLFParseError, struct.error, zlib.error, *Failure) as error:
            said = f"after message {number}, byte {stream.tell()}: {error or type(error).__name__}"
            book.note(TroubleKind.UNREADABLE, number, said)
            _find_object(stream, max(begun + 1, stream.tell() - BLF_BLOCK), size)


def _find_object(stream: BinaryIO, start: int, size: int) -> None:
    """Goes to the next object of the file from a place on, or to its end."""
    place = start
    while place < size:
        stream.seek(place)
        block = stream.read(BLF_BLOCK + len(BLF_MARK) - 1)
        found = block.find(BLF_MARK)
        if found >= 0:
            stream.seek(place + found)
            return
        place += BLF_BLOCK
    stream.seek(size)


class _Spliced(io.RawIOBase):
    """A file header followed by the rest of a stream up to a size."""

    def __init__(self, header: bytes, stream: BinaryIO, size: int) -> None:
        self._header, self._stream, self._size = header, stream, size

    def read(self, count: int = -1) -> bytes:
        if self._header:
            given, self._header = self._header[:count], self._header[count:]
            return given
        left = max(0, self._size - self._stream.tell())
        return self._stream.read(left if count < 0 else min(count, left))

    def close(self) -> None:
        """The stream stays open: another reader may go on."""


def load_can() -> Any:
    """python-can.

    Raises:
        ToolMissing: if it is not installed.
    """
    try:
        import can
    except ImportError:
        raise ToolMissing(MISSING) from None
    return can
