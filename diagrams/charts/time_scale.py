"""Where an instant lies on a timing chart's axis.

The axis is true to scale if that leaves room between steps. Otherwise long stretches in which
nothing happens are shortened, and drawn with a break; all others keep one common scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from stillgate.controller.machine_file.field_types import Ticks

CLOSEST, ROOMY = 26.0, 64.0
"""Smallest distance of two steps: how little it may be, and how much it is if there is room."""


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of the axis; ``broken`` ones are shortened."""

    start: Ticks
    end: Ticks
    left: float
    right: float
    broken: bool


@dataclass(frozen=True, slots=True)
class TimeScale:
    """Pieces from the first instant to the end of the last, without gaps."""

    pieces: tuple[Piece, ...]

    @property
    def width(self) -> float:
        """Length of the whole axis."""
        return self.pieces[-1].right

    @property
    def is_true(self) -> bool:
        """Whether no stretch is shortened."""
        return not any(piece.broken for piece in self.pieces)

    def at(self, instant: float) -> float:
        """Place of an instant on the axis."""
        piece = next((item for item in self.pieces if instant <= item.end), self.pieces[-1])
        share = (instant - piece.start) / (piece.end - piece.start)
        return round(piece.left + share * (piece.right - piece.left), 2)


def time_scale_of(length: Ticks, steps: Sequence[Ticks], room: float) -> TimeScale:
    """An axis of a number of instants.

    Args:
        steps: instants that need room between them, ascending.
        room: length that the axis has if the steps fit into it; else it is longer.
    """
    edges = sorted({0, length, *(step for step in steps if 0 < step < length)})
    gaps = [right - left for left, right in pairwise(edges)]
    smallest = min(gaps)
    closest = min(ROOMY, max(CLOSEST, room / len(gaps) / 1.6))
    if smallest * room / length >= closest or len(gaps) == 1:
        return _laid(edges, gaps, room / length, max(gaps))
    longest = _longest(gaps, room * smallest / closest)
    return _laid(edges, gaps, closest / smallest, max(longest, smallest))


def _longest(gaps: Sequence[Ticks], total: float) -> float:
    """The length at which gaps must be cut so that all together come to ``total``."""
    rest = total
    for rank, gap in enumerate(sorted(gaps)):
        share = rest / (len(gaps) - rank)
        if gap >= share:
            return share
        rest -= gap
    return max(gaps)


def _laid(edges: Sequence[Ticks], gaps: Sequence[Ticks], scale: float, longest: float) -> TimeScale:
    pieces: list[Piece] = []
    left = 0.0
    for start, end, gap in zip(edges, edges[1:], gaps, strict=False):
        right = left + min(gap, longest) * scale
        pieces.append(Piece(start, end, round(left, 2), round(right, 2), gap > longest))
        left = right
    return TimeScale(tuple(pieces))
