"""How a search over sets stores them: what it joins and gives away, and what it keeps exact."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Turning(Enum):
    """What becomes of a travel that turns round, where its set allows several values."""

    EACH = 0  # each of them, in a set of its own
    WIDEST = 1  # the widest travel, which may do whatever one of them may
    KEPT = 2  # a set that holds each of them


@dataclass(frozen=True, slots=True)
class Manner:
    """How sets are stored.

    Attributes:
        join: most sets of one key, joined by hull beyond; 0 for no limit.
        merge: two sets become one where that loses nothing.
        travels_kept: stopped travels stay in the sets; otherwise each of their values is gone on with.
        turning: what becomes of a travel that turns round.
    """

    join: int = 1
    merge: bool = False
    travels_kept: bool = True
    turning: Turning = Turning.WIDEST


WIDEST = Manner()
"""One set a key: the cheapest, and what a check begins with."""

EXACT = Manner(join=0, merge=True, travels_kept=False, turning=Turning.EACH)
"""Exactly the situations that are reached."""
