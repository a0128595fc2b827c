"""Conditions and actions in the words that stand on a drawing.

Edges are written with the arrows of IEC 60848 (``↑x`` when x goes on, ``↓x`` when it goes
off), a held condition as ``x for 500 ms``, a time since entry as ``8 s in state``. ``and``,
``or`` and ``not`` stay words. Long conditions break before ``and`` and ``or``. A named condition stands
there by its name, so whoever shows words of the file shows ``condition_meanings`` beside them.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.expressions.expression import (
    At,
    Binary,
    Edge,
    EdgeOf,
    Expression,
    HeldFor,
    Name,
    Not,
    Number,
    Operator,
    Truth,
)
from stillgate.controller.machine_file.machine import Actions, Exit, Machine, Override
from stillgate.controller.machine_file.named_conditions import conditions_in, used_in
from stillgate.controller.visible_text import one_line as visible_line

WIDEST = 34
"""Characters of a line on a drawing, unless a single name is longer."""

LOGIC = (Operator.AND, Operator.OR, Operator.XOR)
ARROWS = {Edge.RISING: "↑", Edge.FALLING: "↓"}


def condition_words(tree: Expression) -> str:
    """A condition on one line."""
    match tree:
        case Name(path=path):
            return path
        case Number(value=value):
            return str(value)
        case Truth(value=value):
            return "always" if value else "never"
        case At(place=place):
            return f"at {place}"
        case Not(operand=operand):
            return f"not {_operand(operand)}"
        case Binary(operator=operator, left=left, right=right):
            return f"{_operand(left, operator)} {operator.value} {_operand(right, operator)}"
        case EdgeOf(edge=edge, argument=argument):
            return f"{ARROWS[edge]}{_operand(argument)}"
        case HeldFor(argument=argument, milliseconds=milliseconds):
            return f"{_operand(argument)} for {format_duration(milliseconds)}"


def condition_meanings(machine: Machine, trees: Collection[Expression]) -> dict[str, str]:
    """What the named conditions in some trees stand for, by name, with the reason if the file gives one."""
    found: dict[str, str] = {}
    for name, tree in used_in(machine, trees).items():
        why = visible_line(machine.conditions[name.removeprefix("seen.")].why)
        found[name] = f"{condition_words(tree)}{f' ({why})' if why else ''}"
    return found


def trees_of(ways: Iterable[Exit | Override]) -> list[Expression]:
    """The conditions of exits and what they write, as they stand in the file."""
    return [condition.written for way in ways for condition in conditions_in(way)]


def _operand(tree: Expression, around: Operator | None = None) -> str:
    """An operand, in brackets where leaving them out could be misread."""
    text = condition_words(tree)
    match tree:
        case Binary(operator=operator) if around is not None and operator is around and around in LOGIC:
            return text
        case Binary(operator=operator) if around in LOGIC and operator not in LOGIC:
            return text
        case Binary() | HeldFor():
            return f"({text})"
        case _:
            return text


def exit_words(way: Exit | Override) -> list[str]:
    """What lets an exit be taken and what it does then, in lines for a drawing.

    Actions stand on lines of their own behind a stroke, as on state diagrams of the trade
    (``trigger / action``).
    """
    return wrap_words(_condition(way)) + [f"/ {action}" for action in action_words(way)]


def one_line(way: Exit | Override) -> str:
    """The same on one line."""
    return " ".join([_condition(way), *(f"/ {action}" for action in action_words(way))]).strip()


def _condition(way: Exit | Override) -> str:
    condition = condition_words(way.when.written) if way.when is not None else ""
    after = way.after if isinstance(way, Exit) else None
    if after is not None:
        waited = f"{format_duration(after)} in state"
        if way.when is None:
            return waited
        return f"{waited} and {_operand(way.when.written, Operator.AND)}"
    return condition


def action_words(actions: Actions) -> list[str]:
    """What an exit does to memory: ``rail := rail + 1``, ``armed on``."""
    found = [f"{name} := {condition_words(value.written)}" for name, value in actions.do.items()]
    found += [f"{name} on" for name in actions.set]
    return found + [f"{name} off" for name in actions.clear]


def wrap_words(text: str, widest: int = WIDEST) -> list[str]:
    """Lines of at most ``widest`` characters, broken before ``and``, ``or``, ``xor`` if that suffices."""
    pieces: list[str] = []
    for word in text.split():
        if word in ("and", "or", "xor") or not pieces:
            pieces.append(word)
        else:
            pieces[-1] += f" {word}"
    lines: list[str] = []
    for piece in pieces:
        if lines and len(lines[-1]) + 1 + len(piece) <= widest:
            lines[-1] += f" {piece}"
        else:
            lines += _split(piece, widest)
    return lines


def _split(piece: str, widest: int) -> list[str]:
    """A piece that fits no line, broken at spaces."""
    lines: list[str] = []
    for word in piece.split():
        if lines and len(lines[-1]) + 1 + len(word) <= widest:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines
