"""A log as a table: a row for every moment at which something changed, a column a signal.

A row holds the value of everything after the changes of its time. If a signal changes twice
at one time (power off and on again between two scans), the time has two rows.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from stillgate.controller.machine_file.field_types import Milliseconds

from ..log import Change, Signal, Subject, Value, written_names
from ..log_records import encode_event

TIME_COLUMN = "time_ms"
EVENT_COLUMN = "event"

SIMULATED = (Subject.CIRCUIT, Subject.DRIVEN, Subject.PART)
PHYSICAL = tuple(f"{subject.value}." for subject in SIMULATED)
"""How the names of columns begin that only a simulation can fill."""


@dataclass(frozen=True, slots=True)
class TableRow:
    """The values of all columns from a time on."""

    time: Milliseconds
    values: tuple[Value, ...]  # in the order of the signals
    event: str  # name and text of an event at this time, or ''


def column_names(signals: tuple[Signal, ...]) -> tuple[str, list[str], str]:
    """Names of the column of the times, of those of the signals, and of that of the events.

    A signal has its own, with a prefix for what is simulated only; of two that would be called
    alike, the one that is no signal of the machine gets a dot.
    """
    written = written_names(signal for signal in signals if signal[0] not in SIMULATED)
    names = [written.get(signal, f"{signal[0].value}.{signal[1]}") for signal in signals]
    time, event = (f".{name}" if name in names else name for name in (TIME_COLUMN, EVENT_COLUMN))
    return time, names, event


def table_rows(signals: tuple[Signal, ...], changes: Iterable[Change]) -> Iterator[TableRow]:
    """The rows of a log; values that were never told are None."""
    places = {signal: place for place, signal in enumerate(signals)}
    values: list[Value] = [None] * len(signals)
    touched: set[Signal] = set()
    time: Milliseconds | None = None
    event = ""
    for change in changes:
        signal = change.subject, change.name
        again = signal in touched or (change.subject is Subject.EVENT and event != "")
        if time is not None and (change.time != time or again):
            yield TableRow(time, tuple(values), event)
            touched, event = set(), ""
        time = change.time
        if change.subject is Subject.EVENT:
            event = _event(change)
        elif signal in places:
            touched.add(signal)
            values[places[signal]] = change.value
    if time is not None:
        yield TableRow(time, tuple(values), event)


def _event(change: Change) -> str:
    return change.name if change.value is None else encode_event(change.name, str(change.value))
