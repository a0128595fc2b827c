"""What was wrong with a log, counted: one entry a kind, with first places and what stood there.

A reader never mends a log silently. Whatever it skips, cannot place or cannot know goes
into a ``TroubleBook``; the reader goes on, and the reports print the book. Only what leaves
more than one reading open is an error, and names the option that decides.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

from stillgate.controller.expressions.durations import shorten
from stillgate.controller.machine_file.field_types import Milliseconds

MOST_EXAMPLES = 20
"""Different cases kept for each kind; the count goes on."""

LONGEST_QUOTE = 80
"""Characters of a line that are kept."""


class TroubleKind(Enum):
    """What can be wrong with a log that is still of use; the value says it of one case."""

    UNREADABLE = "line that cannot be read, skipped"
    ALTERED = "record whose checksum is wrong, skipped"
    TORN = "record cut off at the end, left out"
    LOST = "stretch where records are missing"
    REPEATED = "record out of its order, skipped"
    GAP = "stretch without a row, signals unknown in it"
    LATE = "row that is older than the one before it, skipped"
    SORTED = "row that came late and was put in its place"
    CLOCK = "jump of the clock"
    BAD_VALUE = "value that is no value of its signal, taken as unknown"
    MISSING = "value that is missing, taken as unknown"
    UNKNOWN_NAME = "name that is no signal of the machine, left out"
    UNKNOWN_ID = "CAN identifier that the database does not describe, left out"
    BUS_ERROR = "error frame on the CAN bus"
    NOT_DECODED = "CAN frame that the database cannot decode, skipped"
    RESTART = "start of the recorder after the first"
    EARLIER = "earlier part of the log that is not there"
    GREW = "file that grew while it was read; what came later was not read"


_MISSING = (TroubleKind.UNREADABLE, TroubleKind.NOT_DECODED)


@dataclass(frozen=True, slots=True)
class Example:
    """A case: where it was met first, and what stood there."""

    line: int  # from 1; 0 if the file has no lines
    quote: str  # cut to a length, without control characters
    time: Milliseconds | None = None  # since the log's start, where it is known
    count: int = 1  # how often just this was met; line and time are of the first


@dataclass(frozen=True, slots=True)
class Trouble:
    """All cases of one kind."""

    kind: TroubleKind
    count: int
    examples: tuple[Example, ...]  # the first few, in file order


class TroubleBook:
    """Where a reader writes what it meets."""

    def __init__(self) -> None:
        self._counts: dict[TroubleKind, int] = {}
        self._examples: dict[TroubleKind, dict[str, Example]] = {}

    def note(self, kind: TroubleKind, line: int, quote: str, time: Milliseconds | None = None) -> None:
        """Counts a case; of different ones the first few are kept."""
        self._counts[kind] = self._counts.get(kind, 0) + 1
        kept = self._examples.setdefault(kind, {})
        said = shorten(quote, LONGEST_QUOTE)
        if said in kept:
            kept[said] = replace(kept[said], count=kept[said].count + 1)
        elif len(kept) < MOST_EXAMPLES:
            kept[said] = Example(line, said, time)

    def missing(self) -> int:
        """How many rows or frames were met that something stood in and nothing could be read from."""
        return sum(self._counts.get(kind, 0) for kind in _MISSING)

    def all(self) -> tuple[Trouble, ...]:
        """Every kind that was met, in the order of ``TroubleKind``."""
        return tuple(
            Trouble(kind, self._counts[kind], tuple(self._examples[kind].values()))
            for kind in TroubleKind
            if kind in self._counts
        )
