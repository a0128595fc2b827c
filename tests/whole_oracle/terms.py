"""What a condition is worth, given what every name reads: a frame.

``rising``, ``falling`` and ``held`` are memories of others, so a frame holds their truth as it
holds that of a name. ``held`` in a requirement has two truths, one where it can break the
requirement and one where it can satisfy it (section 'rising, falling, held' of the page); which
one an occurrence reads is its side.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from enum import Enum
from functools import cache

from stillgate.controller.expressions.expression import (
    At,
    Binary,
    EdgeOf,
    Expression,
    HeldFor,
    Name,
    Not,
    Number,
    Operator,
    Truth,
    canonical,
    walk,
)


class Side(Enum):
    """What the truth of an occurrence can do to its requirement."""

    BREAKS = "breaks"
    SATISFIES = "satisfies"


OTHER = {Side.BREAKS: Side.SATISFIES, Side.SATISFIES: Side.BREAKS}

Key = str | tuple[str, Side]
"""A name or the text of an edge; the text of a ``held`` with its side."""

Frame = Mapping[Key, int]
"""What everything reads in one place of the file at one moment; truths are 0 and 1."""

text_of = cache(canonical)
"""One spelling for equal trees."""


def observations(trees: Iterable[Expression]) -> Iterator[EdgeOf | HeldFor]:
    """Every occurrence of rising, falling and held."""
    for tree in trees:
        yield from (node for node in walk(tree) if isinstance(node, EdgeOf | HeldFor))


@cache
def _reads_held(tree: Expression) -> bool:
    return any(isinstance(node, HeldFor) for node in walk(tree))


def value(tree: Expression, frame: Frame, side: Side = Side.BREAKS) -> int:
    """The worth of a condition or a number; nothing is cut short."""
    match tree:
        case Number(value=number):
            return number
        case Truth(value=truth):
            return int(truth)
        case Name(path=path):
            return frame[path]
        case At(place=place):
            return frame[f"at_{place}"]
        case Not(operand=operand):
            return 1 - value(operand, frame, OTHER[side])
        case EdgeOf():
            return frame[text_of(tree)]
        case HeldFor():
            return frame[text_of(tree), side]
        case Binary(operator=operator, left=left, right=right):
            if operator in _BOTH_WAYS and _reads_held(tree):
                return _written_out(operator, left, right, frame, side)
            return _worth(operator, value(left, frame, side), value(right, frame, side))


_BOTH_WAYS = (Operator.XOR, Operator.EQ, Operator.NE)


def _written_out(operator: Operator, left: Expression, right: Expression, frame: Frame, side: Side) -> int:
    """``(a and not b) or (not a and b)``, so that each occurrence has one side; ``=`` is not that."""
    if operator is Operator.EQ:
        return 1 - _written_out(Operator.NE, left, right, frame, OTHER[side])
    left_only = value(left, frame, side) and not value(right, frame, OTHER[side])
    right_only = value(right, frame, side) and not value(left, frame, OTHER[side])
    return int(left_only or right_only)


def _worth(operator: Operator, left: int, right: int) -> int:
    match operator:
        case Operator.AND:
            return int(bool(left) and bool(right))
        case Operator.OR:
            return int(bool(left) or bool(right))
        case Operator.XOR | Operator.NE:
            return int(left != right)
        case Operator.EQ:
            return int(left == right)
        case Operator.LT:
            return int(left < right)
        case Operator.LE:
            return int(left <= right)
        case Operator.GT:
            return int(left > right)
        case Operator.GE:
            return int(left >= right)
        case Operator.ADD:
            return left + right
        case Operator.SUB:
            return left - right
