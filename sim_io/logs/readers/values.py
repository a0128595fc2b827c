"""From what stands in a cell of a foreign log to the value of a signal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite, isnan

from stillgate.controller.machine_file.machine import Machine

from ..log import NO_STATE, Subject, Value
from .columns import ColumnMap, SignalColumn
from .signals import KnownSignals

TRUE_WORDS = frozenset({"1", "true", "on", "yes", "high"})
FALSE_WORDS = frozenset({"0", "false", "off", "no", "low"})
EMPTY_WORDS = frozenset({"", "nan", "null", "none", "na", "n/a", "nil"})
"""Words read in any case; those of the map come first."""

UNKNOWN = "?"
"""How a trace of ours says that a value is not known."""

MOST_REMEMBERED = 1000
"""Distinct texts of a column whose values are kept."""


class NoValue(ValueError):  # noqa: N818
    """A cell that is no value of its signal."""


class Missing(Exception):  # noqa: N818
    """A cell in which nothing stands."""


@dataclass
class SignalReader:
    """Reads the cells of one column."""

    column: str
    subject: Subject
    name: str
    entry: SignalColumn
    words_true: frozenset[str]
    words_false: frozenset[str]
    decimal: str
    states: dict[str, str]  # names of states by their folded form
    known: KnownSignals

    def __post_init__(self) -> None:
        self._remembered: dict[str, Value] = {}
        converters: dict[Subject, Callable[[str], Value]] = {
            Subject.STATE: self._state,
            Subject.MEMORY: self._count,
        }
        self._convert = converters.get(self.subject, self._level)

    def read(self, text: str) -> Value:
        """The value a text stands for.

        Raises:
            Missing: if nothing stands there.
            NoValue: if it is none of this signal.
        """
        if text in self._remembered:
            return self._remembered[text]
        stripped = text.strip()
        if stripped == UNKNOWN:
            return None
        if stripped.casefold() in EMPTY_WORDS and stripped.casefold() not in self.states:
            raise Missing
        value = self._convert(stripped)
        if not self.known.fits(self.subject, self.name, value):
            raise NoValue(text)
        if len(self._remembered) < MOST_REMEMBERED:
            self._remembered[text] = value
        return value

    def read_number(self, number: float) -> Value:
        """The value of a number, as CAN and Parquet have them.

        Raises:
            Missing: for 'not a number'.
            NoValue: if it is none of this signal.
        """
        if isnan(number):
            raise Missing
        return self.read(str(int(number)) if isfinite(number) and number == int(number) else repr(number))

    def _level(self, text: str) -> int:
        if self.entry.above is not None:
            level = int(self._number(text) > self.entry.above)
        else:
            level = self._truth(text)
        return level ^ int(self.entry.inverted)

    def _truth(self, text: str) -> int:
        word = text.casefold()
        if word in self.words_true:
            return 1
        if word in self.words_false:
            return 0
        number = self._number(text)
        if number not in (0.0, 1.0):
            raise NoValue(text)
        return int(number)

    def _count(self, text: str) -> int:
        word = text.casefold()
        if word in self.words_true and not word.isdecimal():
            return 1
        if word in self.words_false and not word.isdecimal():
            return 0
        number = self._number(text)
        if number != int(number):
            raise NoValue(text)
        return int(number)

    def _state(self, text: str) -> str:
        found = self.states.get(text.casefold())
        if found is not None:
            return found
        if text in ("-", "off"):
            return NO_STATE
        raise NoValue(text)

    def _number(self, text: str) -> float:
        try:
            number = float(text.replace(",", ".") if self.decimal == "," else text)
        except ValueError:
            raise NoValue(text) from None
        if not isfinite(number):
            raise NoValue(text)
        return number


def signal_reader(
    column: str, layout: ColumnMap, known: KnownSignals, machine: Machine | None
) -> SignalReader | None:
    """The reader of a column; None if it is no signal of the machine."""
    entry = layout.entry(column)
    signal = known.signal(entry.signal)
    if signal is None:
        return None
    subject, name = signal
    states = tuple(machine.sequences[name].states) if machine and subject is Subject.STATE else ()
    folded = {state.casefold(): state for state in states}
    on, off = ({word.strip().casefold() for word in words} for words in (layout.on, layout.off))
    return SignalReader(
        column=column,
        subject=subject,
        name=name,
        entry=entry,
        words_true=(TRUE_WORDS - off) | on,
        words_false=(FALSE_WORDS - on) | off,
        decimal=layout.decimal or ".",
        states=folded if len(folded) == len(states) else {state: state for state in states},
        known=known,
    )
