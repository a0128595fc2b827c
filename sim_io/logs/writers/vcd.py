"""A trace as a value change dump, IEEE 1364-2005 clause 18, through pyvcd.

The standard knows bits, numbers and events, and no texts. So a sequence becomes a scope with
one wire a state, of which one is 1; in a viewer they lie below each other like the steps of a
chart. What is unknown is ``x``. One unit of time is a millisecond::

    machine
    ├── inputs        wire a signal
    ├── outputs       wire a signal
    ├── states.main   wire a state
    ├── memory        integer
    ├── events        event
    └── circuits, driven, parts   the physical side, in simulations
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stillgate.controller.errors import ToolMissing
from stillgate.controller.visible_text import visible

from ..log import Change, Log, Signal, Subject

if TYPE_CHECKING:
    from vcd import VCDWriter

MISSING = "VCD needs the library pyvcd: pip install 'stillgate[trace]'"
SCOPES = {
    Subject.INPUT: "inputs",
    Subject.OUTPUT: "outputs",
    Subject.MEMORY: "memory",
    Subject.POWER: "supply",
    Subject.CIRCUIT: "circuits",
    Subject.DRIVEN: "driven",
}
WORDS = {Subject.STATE: "states", Subject.PART: "parts"}
"""Subjects with words for values, and their scopes."""

BITS = 64
"""Width of a counter."""


def write_vcd(log: Log, path: Path) -> None:
    """Writes a log as VCD. Reads the log twice: first for the words that occur in it.

    Raises:
        ToolMissing: if pyvcd is not installed.
        OSError: if the file cannot be written.
    """
    try:
        from vcd import VCDWriter
    except ImportError:
        raise ToolMissing(MISSING) from None
    words, events = _vocabulary(log)
    header = log.header
    with path.open("w", encoding="ascii", newline="\n") as stream:
        writer = VCDWriter(
            stream,
            timescale="1 ms",
            date=_remark(header.started or "unknown"),
            version=_remark(f"stillgate {header.version}".strip()),
            comment=_comment(log),
        )
        top = identifier(header.machine or "machine")
        known = _named(tuple(dict.fromkeys(name for _, name in header.signals)))
        variables = {
            signal: _Levels(writer, top, signal, known[signal[1]])
            if signal[0] in SCOPES
            else _Words(writer, top, signal, known[signal[1]], words[signal])
            for signal in header.signals
            if signal[0] is not Subject.EVENT
        }
        bells = {
            name: writer.register_var(f"{top}.events", word, "event") for name, word in _named(events).items()
        }
        writer.flush()  # everything is unknown at time 0, then the changes follow
        last = 0
        for change in log.changes():
            last = change.time
            if change.subject is Subject.EVENT:
                writer.change(bells[change.name], change.time, True)
            elif (variable := variables.get((change.subject, change.name))) is not None:
                variable.change(change)
        writer.close(last)


class _Levels:
    """A wire or a number."""

    def __init__(self, writer: VCDWriter, top: str, signal: Signal, name: str) -> None:
        subject, _ = signal
        counts = subject is Subject.MEMORY
        kind, size = ("integer", BITS) if counts else ("wire", 1)
        self._writer = writer
        self._variable: Any = writer.register_var(f"{top}.{SCOPES[subject]}", name, kind, size=size, init="x")

    def change(self, change: Change) -> None:
        self._writer.change(self._variable, change.time, "x" if change.value is None else change.value)


class _Words:
    """A wire a word, of which at most one is 1."""

    def __init__(
        self, writer: VCDWriter, top: str, signal: Signal, name: str, words: tuple[str, ...]
    ) -> None:
        subject, _ = signal
        scope = f"{top}.{WORDS[subject]}.{name}"
        self._writer = writer
        self._variables: dict[str, Any] = {
            word: writer.register_var(scope, known, "wire", size=1, init="x")
            for word, known in _named(words).items()
        }

    def change(self, change: Change) -> None:
        for word, variable in self._variables.items():
            level = "x" if change.value is None else int(word == change.value)
            self._writer.change(variable, change.time, level)


def _vocabulary(log: Log) -> tuple[dict[Signal, tuple[str, ...]], tuple[str, ...]]:
    """The words that each sequence and part has, and the names of events."""
    words: dict[Signal, dict[str, None]] = {signal: {} for signal in log.header.signals if signal[0] in WORDS}
    events: dict[str, None] = {}
    for change in log.changes():
        signal = change.subject, change.name
        if change.subject is Subject.EVENT:
            events[change.name] = None
        elif signal in words and isinstance(change.value, str) and change.value:
            words[signal][change.value] = None
    return {signal: tuple(sorted(found)) for signal, found in words.items()}, tuple(sorted(events))


def _named(words: tuple[str, ...]) -> dict[str, str]:
    """An identifier of the standard for each word, no two alike."""
    taken: dict[str, str] = {}
    for word in words:
        plain = name = identifier(word)
        number = 2
        while name in taken.values():
            name, number = f"{plain}_{number}", number + 1
        taken[word] = name
    return taken


def identifier(text: str) -> str:
    """A simple identifier of IEEE 1364: letters, digits and underlines, no digit first."""
    plain = re.sub(r"[^A-Za-z0-9_]+", "_", text).strip("_") or "_"
    return f"_{plain}" if plain[0].isdigit() else plain


def _comment(log: Log) -> str:
    header = log.header
    parts = [f"machine {header.machine}" if header.machine else "", f"machine file {header.digest}"]
    return _remark(", ".join(part for part in parts if part and not part.endswith(" ")))


def _remark(text: str) -> str:
    """A text for a section of the dump: in ASCII, and without the word that ends it."""
    return visible(text).encode("ascii", "backslashreplace").decode().replace("$end", "end")
