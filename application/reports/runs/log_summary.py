"""What is in a log: where it comes from, its span, its signals, and what is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from stillgate.controller.expressions.durations import format_duration, format_moments
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.sim_io.logs.log import EXACT, NO_STATE, Log, RowMeaning, Signal, Subject, Timing, Value
from stillgate.sim_io.logs.log_trouble import Trouble

from ...console.prose import say, say_unbroken, section
from ...console.words import count_words, grouped
from ..exchange.schema_words import DRAFT, Schema, closed, many, perhaps, text, whole

CAUTION = (
    "A log says what the controller saw and asked for, not what the machine did. Local codes, and a"
    " licensed or otherwise competent person, decide what may be done with the machine."
)
SHOWN = 5
"""Examples of a kind of trouble that the text shows."""


@dataclass
class SignalSummary:
    """One signal of a log."""

    changes: int = 0
    first: Value = None
    last: Value = None
    told: bool = False  # whether the log says anything about it
    unknown: Milliseconds = 0  # time for which it is not known, while the log lasts
    _since: Milliseconds = 0

    def note(self, time: Milliseconds, value: Value) -> None:
        """A change."""
        if self.told:
            self.changes += 1
        if self.last is None:
            self.unknown += time - self._since
        if not self.told and value is not None:
            self.first, self.told = value, True
        self.last, self._since = value, time

    def end(self, time: Milliseconds) -> None:
        """The log ends."""
        if self.last is None:
            self.unknown += time - self._since


@dataclass
class LogSummary:
    """A log read to its end."""

    log: Log
    begin: Milliseconds = 0
    end: Milliseconds = 0
    changes: int = 0
    signals: dict[Signal, SignalSummary] = field(default_factory=dict)
    events: dict[str, int] = field(default_factory=dict)
    trouble: tuple[Trouble, ...] = ()


def summarise(log: Log) -> LogSummary:
    """Reads a log to its end and counts.

    Raises:
        UsageError: where the log can be read in more than one way.
    """
    found = LogSummary(log, signals={signal: SignalSummary() for signal in log.header.signals})
    begun = False
    for change in log.changes():
        if not begun:
            begun, found.begin = True, change.time
            for item in found.signals.values():
                item._since = change.time
        found.end = change.time
        if change.subject is Subject.EVENT:
            found.events[change.name] = found.events.get(change.name, 0) + 1
            continue
        found.changes += 1
        found.signals.setdefault((change.subject, change.name), SignalSummary()).note(
            change.time, change.value
        )
    for item in found.signals.values():
        item.end(found.end)
    found.trouble = log.trouble()
    return found


# -- text ------------------------------------------------------------------------------------


def write_summary(console: Console, summary: LogSummary, file: str) -> None:
    """Prints what is in a log."""
    header = summary.log.header
    say_unbroken(console, f"{file}: log of {header.machine or 'a machine'}", style="bold")
    begin, end = format_moments([summary.begin, summary.end])
    say(console, f"from {begin} to {end}, {count_words(summary.changes, 'change')}", indent=2, hanging=2)
    if header.started:
        say(console, f"time 0 is {header.started}", indent=2, hanging=2)
    elif header.zero:
        say(console, f"time 0 is {header.zero} in the file", indent=2, hanging=2)
    if header.digest:
        version = f", stillgate {header.version}" if header.version else ""
        say(console, f"machine file SHA-256 {header.digest[:12]}...{version}", indent=2, hanging=2)
    if header.timing != EXACT:
        say(console, _rows_words(header.timing), indent=2, hanging=2)
    if summary.events:
        told = ", ".join(f"{name} {count}" for name, count in sorted(summary.events.items()))
        say(console, f"events: {told}", indent=2, hanging=2)
    say(console, "")
    console.print(_signal_table(summary))
    _write_trouble(console, summary.trouble)
    say(console, "")
    say(console, CAUTION)


def _rows_words(timing: Timing) -> str:
    """What the rows of a log of another logger are taken as."""
    accuracy = f"up to {format_duration(timing.accuracy)} from the scan they are about"
    if timing.meaning is RowMeaning.CHANGES:
        return f"rows are changes, {accuracy}"
    stated = "" if timing.stated else " (the column map does not say; 'accuracy' would)"
    return f"rows are samples{stated}, {accuracy}; nothing is known between two rows"


def _signal_table(summary: LogSummary) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for name in ("signal", "kind", "changes", "at first", "at last", "unknown for"):
        table.add_column(name, justify="right" if name in ("changes", "unknown for") else "left")
    for (subject, name), item in summary.signals.items():
        unknown = format_moments([item.unknown])[0] if item.unknown else ""
        if item.told:
            row = [grouped(item.changes), _words(item.first), _words(item.last), unknown]
        else:
            row = ["", "never told", "", unknown]
        table.add_row(Text(name), Text(subject.value), *map(Text, row))
    return table


def _words(value: Value) -> str:
    if value is None:
        return "unknown"
    return "no power" if value == NO_STATE else str(value)


def _write_trouble(console: Console, trouble: tuple[Trouble, ...]) -> None:
    if not trouble:
        section(console, "Every line of it could be read.", style="")
        return
    section(console, "WHAT IS WRONG WITH IT")
    for item in trouble:
        say(console, f"{count_words(item.count, 'case')}: {item.kind.value}", indent=2, hanging=2)
        for example in item.examples[:SHOWN]:
            place = f"line {example.line}: " if example.line else ""
            often = f" ({grouped(example.count)} times)" if example.count > 1 else ""
            say(console, f"{place}{example.quote}{often}", indent=6, hanging=2)
        if item.count > sum(example.count for example in item.examples[:SHOWN]):
            say(console, "...", indent=6)


# -- JSON ------------------------------------------------------------------------------------


def summary_document(summary: LogSummary, file: str) -> dict[str, Any]:
    """The JSON document of a log; times are in milliseconds."""
    header = summary.log.header
    return {
        "format": "stillgate log 1",
        "file": file,
        "machine": header.machine,
        "digest": header.digest,
        "version": header.version,
        "scan": header.scan,
        "started": header.started,
        "zero": header.zero,
        "rows": header.timing.meaning.value,
        "accuracy": header.timing.accuracy,
        "begin": summary.begin,
        "end": summary.end,
        "changes": summary.changes,
        "signals": [
            {
                "kind": subject.value,
                "name": name,
                "changes": item.changes,
                "first": item.first,
                "last": item.last,
                "unknown": item.unknown,
            }
            for (subject, name), item in summary.signals.items()
        ],
        "events": dict(sorted(summary.events.items())),
        "trouble": [
            {
                "kind": item.kind.name.lower(),
                "text": item.kind.value,
                "count": item.count,
                "examples": [
                    {"line": it.line, "quote": it.quote, "time": it.time, "count": it.count}
                    for it in item.examples
                ],
            }
            for item in summary.trouble
        ],
        "caution": CAUTION,
    }


_VALUE: Schema = {
    "type": ["integer", "string", "null"],
    "description": "0 or 1, a count, the name of a state (empty: no power), or null: unknown.",
}

LOG: Schema = {
    "$schema": DRAFT,
    "title": "Output of stillgate log --format json",
    **closed(
        "What is in a log; all times are in milliseconds since its start.",
        format=text("Name and number of this format."),
        file=text("The log as named on the command line."),
        machine=text("Name of the machine, or empty."),
        digest=text("SHA-256 of the machine file it was recorded with, or empty."),
        version=text("Version of Stillgate that recorded it, or empty."),
        scan=perhaps(whole("Period of the controller.", 1)),
        started=text("Date and time of time 0 in ISO 8601, or empty."),
        zero=text("How the file itself writes time 0, or empty."),
        rows=text("What the rows of the log are taken as.", *(item.value for item in RowMeaning)),
        accuracy=whole("How far a row may be from the scan it is about."),
        begin=whole("Time of the first change.", None),
        end=whole("Time of the last change or event.", None),
        changes=whole("Changes of signals in all."),
        signals=many(
            "Every signal of the log.",
            closed(
                "One signal.",
                kind=text("What it is.", *(subject.value for subject in Subject)),
                name=text("Its name."),
                changes=whole("How often it changed."),
                first={**_VALUE, "description": f"First value that is known. {_VALUE['description']}"},
                last={**_VALUE, "description": f"Last value. {_VALUE['description']}"},
                unknown=whole("Time for which it is not known."),
            ),
        ),
        events={
            "type": "object",
            "description": "How often each event happened.",
            "additionalProperties": whole("Count."),
        },
        trouble=many(
            "What is wrong with the log.",
            closed(
                "All cases of one kind.",
                kind=text("The kind in one word."),
                text=text("The same in words."),
                count=whole("How many.", 1),
                examples=many(
                    "The first different cases.",
                    closed(
                        "One case.",
                        line=whole("Line in the file, from 1; 0 where it has none."),
                        quote=text("What stood there, shortened."),
                        time=perhaps(whole("When, where that is known.", None)),
                        count=whole("How often just this was met.", 1),
                    ),
                ),
            ),
        ),
        caution=text("What a log is not."),
    ),
}
