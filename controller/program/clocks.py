"""Clocks of a Program: the cells that measure time, marked by whoever lowers them.

Inputs, observers, sequences, requirements and parts make them; executive, exploration, sets of times and
what is dropped as dead ask for them. What treats time apart from other values asks here and nowhere else,
so nothing knows a clock by its name or its range.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from .program import Cell, Term


class ClockKind(Enum):
    """What a clock measures."""

    STATE = "time since a state of a sequence was entered"
    HELD = "how long an argument of held, rising or falling has been true"
    DEBOUNCE = "how long an input has differed from its accepted level"
    RESPONSE = "how long a requirement's answer has been waited for"
    INVARIANCE = "how long something must stay so yet"
    FAULT = "how long a fault has been there"
    PART_WAITS = "how long a part has waited"
    SOONEST = "driven time until a part may arrive"
    LATEST = "driven time until a part must arrive"


@dataclass(frozen=True, slots=True)
class Clock:
    """A cell that measures time: it changes by one a tick while it runs, and is only compared with constants.

    ``limit`` is the value from which on nothing tells values apart (a clock that counts down is at its
    end with 0). Everything that treats time apart from other values asks for these, and nothing knows a
    clock by its name or range.
    """

    cell: Cell
    kind: ClockKind
    limit: Term

    @property
    def counts_down(self) -> bool:
        """Whether it holds what remains, not what has passed."""
        return self.kind in (ClockKind.INVARIANCE, ClockKind.SOONEST, ClockKind.LATEST)

    @property
    def stops(self) -> bool:
        """Whether it keeps its value while it does not run, as what drives a part's motion does."""
        return self.kind in (ClockKind.SOONEST, ClockKind.LATEST)
