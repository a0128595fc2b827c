"""What the times of a requirement come to in ticks: rounded against the machine.

With the tick p and the scan s, counted from the tick in which the trigger is first seen:

* ``after P then Q within t``: floor((t - s) / p) ticks (``response_ticks``), since a switch may change just
  after it was sampled. Negative (t shorter than the scan): no answer can be in time.
* ``after P keep Q for t``: ceil(t / p) ticks (``invariance_ticks``).
* ``held(x, t)``: as follows (``held_ticks``).

What a scan sees of an input may have begun just after the scan before, and lasts until just before the
next one::

    scan       -1      0      1      2      3         one scan is 100 ms
    x seen      0      1      1      1      0
    x may be true ├───────────────────────┤           after scan 0 for up to 200 ms, after scan 1 for
                                                      up to 300 ms, until the next scan is there

Counted from the tick in which x is first seen true:

* where the truth of ``held`` can **break** the requirement, x may have lasted t from floor((t - s) / p) on:
  the very ticks after which ``within t`` is over. Negative (t shorter than the scan): a scan can be too
  late for it, so it counts as true in every tick.
* where its truth can **satisfy** the requirement, x has lasted t for certain from ceil(t / p) on.
* states, memory, outputs, ``seen`` and ``asked`` change at scans only: floor(t / p) where the truth can
  break, ceil(t / p) where it can satisfy. An argument that reads an input or a truth of a part besides may
  change between scans and is taken as an input.
* ``held(x, 0 ms)`` is x.

Each ``held`` of a requirement is judged on its own, through ``not``, ``and`` and ``or``. Under ``=``, ``<>``
and ``xor`` its truth can do both, so both roundings are used there.

A pulse that lies between two scans is seen by nobody, and a condition without a time is judged at scans.
"""

from __future__ import annotations

from collections.abc import Iterator

from stillgate.controller.expressions.expression import (
    Binary,
    Expression,
    HeldFor,
    Name,
    Not,
    Operator,
    children,
    walk,
)
from stillgate.controller.machine_file.field_types import Condition, Milliseconds, Ticks
from stillgate.controller.machine_file.machine import Requirement
from stillgate.controller.program.program import ticks_up
from stillgate.controller.rules.namespace import Context, InputRef, Namespace, PartTruthRef
from stillgate.controller.rules.rules import requirement_conditions

BREAKING = frozenset({"never", "after", "before", "since"})
"""Keys of a requirement whose truth can break it; that of every other can only satisfy it."""

BOTH_SIDES = frozenset({Operator.EQ, Operator.NE, Operator.XOR})
"""Operators under which the truth of an operand can do both."""


def sided_conditions(requirement: Requirement) -> Iterator[tuple[Condition, bool]]:
    """The conditions of a requirement, each with whether its truth can break it."""
    for key, condition in requirement_conditions(requirement):
        yield condition, key in BREAKING


def sided_holds(tree: Expression, breaks: bool) -> Iterator[tuple[HeldFor, bool]]:
    """Every ``held`` of a condition with whether its truth can break; one that can do both comes twice."""
    yield from _on_sides(tree, (breaks,))


def _on_sides(tree: Expression, sides: tuple[bool, ...]) -> Iterator[tuple[HeldFor, bool]]:
    match tree:
        case HeldFor():
            yield from ((tree, breaks) for breaks in sides)
        case Not(operand=operand):
            yield from _on_sides(operand, tuple(not breaks for breaks in sides))
        case Binary(operator=operator) if operator in BOTH_SIDES:
            for child in children(tree):
                yield from _on_sides(child, (True, False))
        case _:
            for child in children(tree):
                yield from _on_sides(child, sides)


def response_ticks(within: Milliseconds, scan: Milliseconds, tick: Milliseconds) -> Ticks:
    """Ticks a response may take; negative if the limit is shorter than the scan."""
    return (within - scan) // tick


def invariance_ticks(during: Milliseconds, tick: Milliseconds) -> Ticks:
    """Ticks after its trigger for which an invariance must be kept."""
    return ticks_up(during, tick)


def has_hold(tree: Expression) -> bool:
    """Whether ``held`` stands anywhere in it."""
    return any(isinstance(node, HeldFor) for node in walk(tree))


def held_ticks(
    node: HeldFor, names: Namespace, scan: Milliseconds, tick: Milliseconds, *, breaks: bool
) -> Ticks:
    """Ticks after the argument became true from which on ``held`` counts as true; negative: always."""
    time = node.milliseconds
    if not time or not breaks:
        return ticks_up(time, tick)
    return response_ticks(time, scan if between_scans(node.argument, names) else 0, tick)


def between_scans(tree: Expression, names: Namespace) -> bool:
    """Whether it reads an input or a truth of a part, which change between scans too."""
    return any(
        isinstance(names.resolve(node.path, Context.REQUIREMENT), InputRef | PartTruthRef)
        for node in walk(tree)
        if isinstance(node, Name)
    )
