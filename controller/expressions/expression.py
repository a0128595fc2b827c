"""The typed tree of an expression: the Structured Text subset of IEC 61131-3 that machine files use.

Text becomes a tree in ``grammar``; names get their meaning in ``namespace``; the tree itself
knows neither. Every node carries the place of its text so that an error can point at it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from enum import Enum

from .durations import format_duration


@dataclass(frozen=True, slots=True)
class Span:
    """Half-open range of character offsets within the expression's own text."""

    start: int
    end: int


class Operator(Enum):
    """The binary operators, by their Structured Text spelling."""

    AND = "and"
    OR = "or"
    XOR = "xor"
    EQ = "="
    NE = "<>"
    LT = "<"
    LE = "<="
    GT = ">"
    GE = ">="
    ADD = "+"
    SUB = "-"


CHAINED = (Operator.AND, Operator.OR)
"""Operators whose chains read the same however they are bracketed."""


class Edge(Enum):
    """The two edge blocks: R_TRIG and F_TRIG."""

    RISING = "rising"
    FALLING = "falling"


@dataclass(frozen=True, slots=True)
class Name:
    """A signal, state (``gate.resting``), memory, part truth (``leaf.moving``), ``seen.x`` or ``asked.y``."""

    path: str
    span: Span


@dataclass(frozen=True, slots=True)
class Number:
    """A whole number."""

    value: int
    span: Span


@dataclass(frozen=True, slots=True)
class Truth:
    """``true`` or ``false``."""

    value: bool
    span: Span


@dataclass(frozen=True, slots=True)
class At:
    """``at open``: in a part's ``senses``, the truth ``at_open`` of that part."""

    place: str
    span: Span


@dataclass(frozen=True, slots=True)
class Not:
    """Boolean complement."""

    operand: Expression
    span: Span


@dataclass(frozen=True, slots=True)
class Binary:
    """Two operands and an operator; ``and`` and ``or`` evaluate from left to right and stop early."""

    operator: Operator
    left: Expression
    right: Expression
    span: Span


@dataclass(frozen=True, slots=True)
class EdgeOf:
    """``rising(x)`` or ``falling(x)``."""

    edge: Edge
    argument: Expression
    span: Span


@dataclass(frozen=True, slots=True)
class HeldFor:
    """``held(x, 500 ms)``: the output of a TON with input x and preset time 500 ms."""

    argument: Expression
    milliseconds: int
    span: Span


Expression = Name | Number | Truth | At | Not | Binary | EdgeOf | HeldFor


def children(tree: Expression) -> tuple[Expression, ...]:
    """The direct operands of a node, left to right."""
    match tree:
        case Not(operand=operand):
            return (operand,)
        case Binary(left=left, right=right):
            return (left, right)
        case EdgeOf(argument=argument) | HeldFor(argument=argument):
            return (argument,)
        case _:
            return ()


def walk(tree: Expression) -> Iterator[Expression]:
    """Every node of the tree, parents before children, left to right."""
    yield tree
    for child in children(tree):
        yield from walk(child)


def with_names(tree: Expression, change: Callable[[Name], Expression]) -> Expression:
    """The tree with something else in the place of every name."""
    match tree:
        case Name():
            return change(tree)
        case Not(operand=operand):
            return replace(tree, operand=with_names(operand, change))
        case Binary(left=left, right=right):
            return replace(tree, left=with_names(left, change), right=with_names(right, change))
        case EdgeOf(argument=argument) | HeldFor(argument=argument):
            return replace(tree, argument=with_names(argument, change))
        case _:
            return tree


def placed(tree: Expression, span: Span) -> Expression:
    """The tree with every node at one place."""
    match tree:
        case Not(operand=operand):
            return Not(placed(operand, span), span)
        case Binary(operator=operator, left=left, right=right):
            return Binary(operator, placed(left, span), placed(right, span), span)
        case EdgeOf(edge=edge, argument=argument):
            return EdgeOf(edge, placed(argument, span), span)
        case HeldFor(argument=argument, milliseconds=milliseconds):
            return HeldFor(placed(argument, span), milliseconds, span)
        case _:
            return replace(tree, span=span)


def canonical(tree: Expression) -> str:
    """One fixed spelling of a tree, equal for trees that differ in spacing, case or brackets only."""
    match tree:
        case Name(path=path):
            return path
        case Number(value=value):
            return str(value)
        case Truth(value=value):
            return "true" if value else "false"
        case At(place=place):
            return f"at {place}"
        case Not(operand=operand):
            return f"not {_bracketed(operand)}"
        case Binary(operator=operator, left=left, right=right):
            return f"{_bracketed(left)} {operator.value} {_bracketed(right)}"
        case EdgeOf(edge=edge, argument=argument):
            return f"{edge.value}({canonical(argument)})"
        case HeldFor(argument=argument, milliseconds=milliseconds):
            return f"held({canonical(argument)}, {format_duration(milliseconds)})"


def readable(tree: Expression) -> str:
    """A tree as a person would write it: no brackets in a chain of one ``and`` or ``or``."""
    match tree:
        case Binary(operator=operator, left=left, right=right):
            first = readable(left)
            if isinstance(left, Binary) and not (left.operator is operator and operator in CHAINED):
                first = f"({first})"
            second = f"({readable(right)})" if isinstance(right, Binary) else readable(right)
            return f"{first} {operator.value} {second}"
        case Not(operand=operand):
            return f"not ({readable(operand)})" if isinstance(operand, Binary) else f"not {readable(operand)}"
        case EdgeOf(edge=edge, argument=argument):
            return f"{edge.value}({readable(argument)})"
        case HeldFor(argument=argument, milliseconds=milliseconds):
            return f"held({readable(argument)}, {format_duration(milliseconds)})"
        case _:
            return canonical(tree)


def _bracketed(tree: Expression) -> str:
    text = canonical(tree)
    return f"({text})" if isinstance(tree, Binary) else text
