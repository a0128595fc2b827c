"""Which names of a log are signals of the machine, and which values they can have."""

from __future__ import annotations

from collections.abc import Iterable

from stillgate.controller.errors import UsageError
from stillgate.controller.expressions.durations import shorten
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.rules.namespace import memory_bounds, nearest_hint

from ..log import NO_STATE, POWER, Signal, Subject, Value, signals_of, written_names
from ..log_trouble import TroubleBook, TroubleKind

NAMES_COMPARED = 20
"""Names of a log for which the nearest signal is looked for."""


class KnownSignals:
    """The signals that are read, and what each may be.

    Args:
        machine: whose log it is; None to take a log's own list as it is.
        listed: the log's own list, where it has one.
    """

    def __init__(self, machine: Machine | None, listed: Iterable[Signal] | None = None) -> None:
        self._machine = machine
        mine = tuple(signals_of(machine)) if machine is not None else None
        theirs = tuple(listed) if listed is not None else None
        self.left_out: tuple[str, ...] = ()
        if mine is None or theirs is None:
            self.signals = mine or theirs or ()
        else:
            self.signals = tuple(signal for signal in theirs if signal in mine)
            self.left_out = tuple(name for kind, name in theirs if (kind, name) not in mine)
        self._written = {name: signal for signal, name in written_names(self.signals).items()}
        self._hinted: dict[str, str] = {}
        self._ranges: dict[str, tuple[int, int]] = {}
        self._states: dict[str, frozenset[str]] = {}
        if machine is not None:
            self._ranges = {name: memory_bounds(item) for name, item in machine.memory.items()}
            self._states = {name: frozenset(item.states) for name, item in machine.sequences.items()}

    def signal(self, name: str) -> Signal | None:
        """The signal that is written so; None if it is not read."""
        return self._written.get(name)

    def fits(self, subject: Subject, name: str, value: Value) -> bool:
        """Whether a signal can have a value."""
        if value is None:
            return True
        if subject is Subject.STATE:
            if not isinstance(value, str):
                return False
            return value == NO_STATE or name not in self._states or value in self._states[name]
        if not isinstance(value, int):
            return False
        if subject is Subject.MEMORY:
            low, high = self._ranges.get(name, (value, value))
            return low <= value <= high
        return value in (0, 1)

    def require_some(self, where: str, theirs: Iterable[str]) -> None:
        """Refuses a log that shares nothing with the machine.

        Raises:
            UsageError: with the names of both sides.
        """
        if self.signals and any(kind is not Subject.POWER for kind, _ in self.signals):
            return
        found = list(theirs)
        own = [name for _, name in signals_of(self._machine)[1:]] if self._machine else []
        near = [(name, nearest(name, own)) for name in found[:NAMES_COMPARED]]
        told = [f"'{name}': {hint}" for name, hint in near if hint][:3]
        raise UsageError(
            f"{where}: nothing in it is a signal of this machine; it has {few(found)}, "
            f"the machine has {few(own)}{''.join(f'; {item}' for item in told)}"
        )

    def note_left_out(self, book: TroubleBook, line: int) -> None:
        """Writes down what the log holds besides signals of the machine."""
        for name in self.left_out:
            book.note(TroubleKind.UNKNOWN_NAME, line, self.hinted(name, self.signals))

    def hinted(self, name: str, told: Iterable[Signal]) -> str:
        """A name that is no signal, with the one that is called like it, if the log does not tell that.

        Args:
            name: what stands in the log.
            told: the signals that the log tells.
        """
        if name not in self._hinted:
            known = {POWER, *(item for _, item in told)}
            own = [item for _, item in signals_of(self._machine)] if self._machine is not None else []
            hint = nearest(name, [item for item in own if item not in known])
            self._hinted[name] = f"{name} ({hint})" if hint else name
        return self._hinted[name]


def nearest(name: str, known: Iterable[str]) -> str:
    """``did you mean 'x'?`` where something is called similarly, else ''."""
    hint = nearest_hint(name, known)
    return hint if hint.startswith("did you mean") else ""


def not_there(names: Iterable[str], known: Iterable[str]) -> str:
    """Names that are missing, each with the nearest that is there."""
    listed = list(known)
    return ", ".join(f"'{name}' ({nearest(name, listed) or 'nothing is called like it'})" for name in names)


def few(names: Iterable[str], most: int = 6) -> str:
    """The first names of a list, and how many more there are."""
    listed = list(names)
    if not listed:
        return "nothing"
    more = f" and {len(listed) - most} more" if len(listed) > most else ""
    return ", ".join(f"'{shorten(name)}'" for name in listed[:most]) + more
