"""What a verdict rests on, as values: a topic, a sentence, and what the sentence lists.

A screen may show fewer names, or the limits as a table; the sentence as a whole is ``text``, which JSON and
the report give.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Topic(Enum):
    """What an assumption is about, in the order of a reader's questions."""

    TIME = "time"
    INPUTS = "inputs"
    PARTS = "parts"
    FAULTS = "faults"
    LEFT_OUT = "left out"
    MODEL = "model"  # said of every check alike


@dataclass(frozen=True, slots=True)
class Limit:
    """How a time of a requirement counts after rounding."""

    requirement: str
    time: str  # as the file says it: '200 ms', 'held(a, 1 s)'
    counts: str  # 'allows 9 ticks', 'needs 3 ticks'

    @property
    def text(self) -> str:
        """In one piece: ``soon: 200 ms allows 9 ticks``."""
        return f"{self.requirement}: {self.time} {self.counts}"


@dataclass(frozen=True, slots=True)
class Assumption:
    """A sentence; with names or limits it ends in a colon and them."""

    topic: Topic
    lead: str
    names: tuple[str, ...] = ()
    limits: tuple[Limit, ...] = ()

    @property
    def text(self) -> str:
        """The whole sentence."""
        if self.limits:
            return f"{self.lead}: {'; '.join(limit.text for limit in self.limits)}."
        return f"{self.lead}: {', '.join(self.names)}." if self.names else self.lead
