"""The lines of our own log: one record a line, readable, each with its checksum.

::

    number time kind [rest] ;checksum

    0 0 log {"format": "stillgate recording 1", "machine": "press", ...} ;5d0c2d7a
    1 0 all power=1 start=0 guard_shut=1 main=stopped motor=0 ;0b1e8c44
    2 1000 set start=1 main=running motor=1 ;93ad5a10
    3 61000 alive ;c3a0e97f

A text, and not a packed form, because the person who opens it at night beside the machine
has ``grep`` and an editor and perhaps nothing else. A checksum a line, because a record is
then whole or refused, wherever a kill or a bad disk has cut it. A running number, because a
line that somebody took out has no checksum to complain.

The checksum is CRC-32 as in IEEE 802.3 (``zlib.crc32``), eight hexadecimal digits, over
every byte of the line before ``" ;"``. It finds accidents, not forgery.
"""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Any

from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.visible_text import visible

from .log import NO_STATE, POWER, LogHeader, Signal, Subject, Value

FORMAT = "stillgate recording 1"
"""Name and number of the format, in the first record of every file."""

UNKNOWN = "?"
NOTHING = "-"
LINE = re.compile(rb"(\d{1,18}) (\d{1,18}) ([a-z]+)(?: (.*))? ;([0-9a-f]{8})", re.ASCII | re.DOTALL)
COUNT = re.compile(r"-?\d{1,18}", re.ASCII)
GROUPS = {
    "inputs": Subject.INPUT,
    "sequences": Subject.STATE,
    "memory": Subject.MEMORY,
    "outputs": Subject.OUTPUT,
}
"""Key of the header and what its names are."""


class RecordKind(Enum):
    """What a line says; the value is the word in the file."""

    LOG = "log"  # header; first in every file, and when the recorder is started anew
    ALL = "all"  # the value of everything
    SET = "set"  # what changed in a scan
    ALIVE = "alive"  # nothing changed, and the controller still scans
    EVENT = "event"  # something that happened: a name and a text
    LOST = "lost"  # so many records before this one could not be written
    END = "end"  # the recorder was closed


@dataclass(frozen=True, slots=True)
class Record:
    """One line."""

    number: int  # from 0, through all parts, and on where a recorder goes on with a file
    time: Milliseconds  # since the controller's first scan
    kind: RecordKind
    rest: str = ""

    def encoded(self) -> bytes:
        """The line, its break included."""
        head = f"{self.number} {self.time} {self.kind.value}"
        content = (f"{head} {self.rest}" if self.rest else head).encode()
        return b"%s ;%s\n" % (content, checksum(content))


def checksum(content: bytes) -> bytes:
    """CRC-32 of IEEE 802.3 as eight hexadecimal digits."""
    return b"%08x" % zlib.crc32(content)


def decode_record(line: bytes) -> Record | None:
    """The record in a line without its break; None if it is no record or was altered."""
    match = LINE.fullmatch(line)
    if match is None or checksum(line[: -len(" ;") - 8]) != match[5]:
        return None
    try:
        return Record(int(match[1]), int(match[2]), RecordKind(match[3].decode()), (match[4] or b"").decode())
    except ValueError:
        return None


# -- what stands in a record -----------------------------------------------------------------


def encode_values(values: Iterable[tuple[str, Value]]) -> str:
    """``start=1 main=running``; ``?`` for unknown, ``-`` for a sequence without power."""
    return " ".join(f"{name}={_word(value)}" for name, value in values)


def decode_values(rest: str) -> Iterator[tuple[str, Value]]:
    """The names and values of a record.

    Raises:
        ValueError: for a word that is no pair.
    """
    for word in rest.split(" "):
        name, equals, text = word.partition("=")
        if not (name and equals and text):
            raise ValueError(f"'{word}' is not NAME=VALUE")
        yield visible(name), _value(text)


def _word(value: Value) -> str:
    if value is None:
        return UNKNOWN
    return str(value) if value != NO_STATE else NOTHING


def _value(text: str) -> Value:
    if text == UNKNOWN:
        return None
    if text == NOTHING:
        return NO_STATE
    return int(text) if COUNT.fullmatch(text) else visible(text)


def encode_event(name: str, text: str) -> str:
    """A name and a text of any characters, on one line."""
    return f"{name} {json.dumps(text)}"


def decode_event(rest: str) -> tuple[str, str]:
    """The name and the text of an event.

    Raises:
        ValueError: if it is none.
    """
    name, _, text = rest.partition(" ")
    found = json.loads(text)
    if not name or not isinstance(found, str):
        raise ValueError("an event is a name and a text")
    return visible(name), found


@dataclass(frozen=True, slots=True)
class Start:
    """What the first record of a file says."""

    header: LogHeader
    part: int  # 1 for the file the recorder began with, then 2, 3, ...
    first: bool  # whether the recorder was started here; else the file goes on from an earlier one


def encode_start(start: Start) -> str:
    """The header as JSON, on one line and in ASCII."""
    header = start.header
    document: dict[str, Any] = {
        "format": FORMAT,
        "machine": header.machine,
        "digest": header.digest,
        "version": header.version,
        "scan": header.scan,
        "started": header.started,
        "part": start.part,
        "first": start.first,
        **{key: list(header.names(subject)) for key, subject in GROUPS.items()},
    }
    return json.dumps(document)


def decode_start(rest: str) -> Start:
    """The header of a file.

    Raises:
        ValueError: if it is not of this format.
    """
    document = json.loads(rest)
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise ValueError(f"the header does not say '{FORMAT}'")
    try:
        names = tuple(_signals(document))
        header = LogHeader(
            machine=visible(str(document["machine"])),
            digest=visible(str(document["digest"])),
            version=visible(str(document["version"])),
            scan=_counted(document["scan"]),
            started=visible(str(document["started"])),
            signals=((Subject.POWER, POWER), *names),
        )
        return Start(header, _counted(document["part"]), document["first"] is True)
    except KeyError as error:
        raise ValueError(f"the header lacks {error}") from None
    except TypeError:
        raise ValueError("the header does not list the names of the signals") from None


def _signals(document: Mapping[str, Any]) -> Iterator[Signal]:
    for key, subject in GROUPS.items():
        yield from ((subject, visible(str(name))) for name in document[key])


def _counted(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or value < 1:
        raise ValueError(f"{value!r} is no whole number from 1 on")
    return value
