"""A log of a running machine: what the controller saw, what it asked for, and when.

A log is a header and a stream of changes. Whatever a log was written as (our own records,
CSV, Parquet, CAN), it is read into this form, and replay and diagnosis know no other::

    time  subject  name        value
       0  power    power       1
       0  input    guard_shut  1
       0  state    main        'stopped'
    1000  input    start       1
    1000  state    main        'running'
    1000  output   motor       1

Times are milliseconds since the log's start and never fall; changes of one scan have the
same time. An input changes at the scan that first saw it and has the level of the circuit
at the controller's terminal: faults and bounce included, ``active: low`` undone, before
debounce. An output changes at the scan that wrote it and is what the controller asks for,
whatever the valve then does. In our own log times are multiples of the scan, and the
changes at the start name every signal that is known.

A foreign log says less: its header's ``timing`` tells whether its times are those of scans, of
changes as exactly as is stated, or of samples, between which nothing is known. ``changes`` is for
people and pictures and lets a value last until another is told; what may be concluded from a log
is read from ``told``, where a value that is repeated stands again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine

from .log_trouble import Trouble, TroubleBook


class Subject(Enum):
    """What a change is about."""

    INPUT = "input"  # 0 or 1
    OUTPUT = "output"  # 0 or 1
    STATE = "state"  # name of a sequence's active state
    MEMORY = "memory"  # a bit or a counter
    POWER = "power"  # 0 or 1; its name is 'power'
    EVENT = "event"  # something that happened, not a level; its value says what
    # In traces of a simulation only; a controller cannot know them and no reader gives them:
    CIRCUIT = "circuit"  # 0 or 1: the healthy circuit of an input
    DRIVEN = "driven"  # 0 or 1: an output as it is physically driven
    PART = "part"  # where a physical part stands, in words

    __hash__ = object.__hash__  # members are single objects; that of Enum is computed in Python each time


POWER = "power"
"""Name of the power supply in changes and signal lists."""

NO_STATE = ""
"""Value of a sequence while power is off: no state is active."""

ALIVE = "alive"
"""Name of the event 'the controller was still scanning', without a value."""

CLOCK_SET = "clock_set"
"""Name of the event 'the clock was set here': how much time passed since what is told before it is not
known, so everything is unknown at it."""

Value = int | str | None
"""0, 1 or a count; name of a state or text of an event; None: unknown from here on."""

Signal = tuple[Subject, str]
"""What is recorded: a subject and its name."""


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that became different."""

    time: Milliseconds  # since the log's start
    subject: Subject
    name: str
    value: Value


class RowMeaning(Enum):
    """What the rows of a log are."""

    SCANS = "scans"  # their times are those of scans, and a value lasts until another is told
    CHANGES = "changes"  # the same, but when a signal changed is known to an accuracy only
    SAMPLES = "samples"  # what was so at an instant; nothing is said of any other


@dataclass(frozen=True, slots=True)
class Timing:
    """What the times of a log say of the scans of the controller."""

    meaning: RowMeaning = RowMeaning.SCANS
    accuracy: Milliseconds = 0  # how far a row may stand from the scan it is about, counted from time 0
    stated: bool = True  # whether somebody said so; else the least is taken that a log can mean


EXACT = Timing()
"""The timing of our own logs."""


@dataclass(frozen=True)
class LogHeader:
    """What a log says of itself."""

    machine: str  # name of the machine; '' if the log does not say
    digest: str = ""  # SHA-256 of the machine file; '' if unknown
    version: str = ""  # of the program that wrote it; '' if unknown
    scan: Milliseconds | None = None  # period of the controller; None if unknown
    started: str = ""  # ISO 8601 date and time of time 0; '' if unknown
    signals: tuple[Signal, ...] = ()  # everything that is recorded at all
    zone: str = ""  # IANA name of the zone that its date-times are in, where somebody said so
    zero: str = ""  # how the file itself writes time 0
    from_power_on: bool = False  # whether it begins with a cold start; else perhaps in mid-run
    timing: Timing = EXACT

    def names(self, subject: Subject) -> tuple[str, ...]:
        """The recorded names of one subject."""
        return tuple(name for kind, name in self.signals if kind is subject)


Read = Callable[[TroubleBook], Iterator[Change]]
"""Reads a log from its start, writing what is wrong with it into the book."""


class Log:
    """A log that can be read any number of times, in bounded memory.

    Args:
        header: what it says of itself.
        read: gives its changes from the start; need not leave out repeated values.
        source: the file, or None for a log in memory.
        told: gives the same with every value that the log repeats; ``read`` if left out.
    """

    def __init__(
        self, header: LogHeader, read: Read, source: Path | None = None, told: Read | None = None
    ) -> None:
        self.header = header
        self.source = source
        self._read = read
        self._told = told or read
        self._trouble: tuple[Trouble, ...] | None = None

    def changes(self) -> Iterator[Change]:
        """The changes, by time; only real ones, apart from events. Can be called again."""
        book = TroubleBook()
        known: dict[str, dict[str, Value]] = {subject.value: {} for subject in Subject}
        for change in self._read(book):
            subject, name = change.subject, change.name
            if subject is not Subject.EVENT:
                values = known[subject.value]  # texts are quicker to look up than members of an Enum
                if values.get(name) == change.value:
                    continue  # at the start everything is unknown
                values[name] = change.value
            yield change
        self._trouble = book.all()

    def told(self) -> Iterator[Change]:
        """Everything that the log says, by time, with what it says again. Can be called again."""
        book = TroubleBook()
        yield from self._told(book)
        self._trouble = book.all()

    def trouble(self) -> tuple[Trouble, ...]:
        """What is wrong with the log; reads it to its end if that was not done yet."""
        if self._trouble is None:
            for _ in self.changes():
                pass
        return self._trouble or ()


def log_in_memory(header: LogHeader, changes: Iterable[Change]) -> Log:
    """A log of changes that are at hand, given by time."""
    kept = tuple(changes)
    return Log(header, lambda book: iter(kept))


def written_names(signals: Iterable[Signal]) -> dict[Signal, str]:
    """How each signal is called in a file: as it is; a supply beside a signal called so gets a dot."""
    listed = tuple(signals)
    taken = {name for subject, name in listed if subject is not Subject.POWER}
    return {
        (subject, name): f".{name}" if subject is Subject.POWER and name in taken else name
        for subject, name in listed
    }


def signals_of(machine: Machine) -> tuple[Signal, ...]:
    """Everything of a machine that a log can hold, in the order of the file."""
    return (
        (Subject.POWER, POWER),
        *((Subject.INPUT, name) for name in machine.inputs),
        *((Subject.STATE, name) for name in machine.sequences),
        *((Subject.MEMORY, name) for name in machine.memory),
        *((Subject.OUTPUT, name) for name in machine.outputs),
    )
