"""What everything in a machine was in one instant, as values: what is recorded before it is told in words.

An instant is what requirements read: after the outputs were written and before the parts move.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from stillgate.controller.machine_file.field_types import Ticks

AND = " and "
"""Joins the names of several faults."""

NO_POWER = "off"
"""Said of a sequence without power."""

SCAN_LEFT_OUT = "scan overrun"
"""Said of an instant in which the controller did not scan because the scan before took too long."""


@dataclass(frozen=True, slots=True)
class Instant:
    """What everything was in one period."""

    circuits: Mapping[str, bool]  # healthy circuit of every input
    states: Mapping[str, str | None]  # None without power
    outputs: Mapping[str, bool]  # as physically driven
    memory: Mapping[str, bool | int]  # truths of bits, numbers of counters
    parts: Mapping[str, str]  # where each stands, in the part's own words
    faults: tuple[str, ...] = ()  # what is wrong, by name
    forced: tuple[str, ...] = ()  # outputs that are otherwise than asked
    powered: bool = True
    terminals: Mapping[str, bool] | None = None  # what reaches the controller; None: circuits with the fault
    scanned: bool = True  # False where the scan before took too long
    truths: Mapping[str, bool] = field(default_factory=dict)  # of parts, as requirements read them; if known

    @property
    def fault(self) -> str | None:
        """What is wrong in one text; None if nothing is."""
        return AND.join(self.faults) or None

    def state_text(self, sequence: str) -> str:
        """The active state of a sequence in words."""
        return self.states[sequence] or NO_POWER


@dataclass(frozen=True, slots=True)
class Stretch:
    """An instant that lasts, from a tick on up to where the next one begins."""

    begins: Ticks
    instant: Instant


def stretches_of(instants: Iterable[Instant]) -> tuple[Stretch, ...]:
    """The same instants, those that are alike told once."""
    found: list[Stretch] = []
    for number, instant in enumerate(instants):
        if not found or found[-1].instant != instant:
            found.append(Stretch(number, instant))
    return tuple(found)


def instants_of(stretches: tuple[Stretch, ...], count: Ticks) -> Iterator[Instant]:
    """So many instants, one a tick."""
    ends = [*(item.begins for item in stretches[1:]), count]
    for item, end in zip(stretches, ends, strict=True):
        yield from (item.instant for _ in range(item.begins, end))


def value_text(value: bool | int) -> str:
    """``on`` and ``off`` of a truth, digits of a number."""
    return ("on" if value else "off") if isinstance(value, bool) else str(value)
