"""How many choices one tick of a closed loop may ask, and how many answers one choice may have.

The engine's structures are made for exactly these numbers, so no machine has more choices
than fit. Both are bounds: of the arms of a condition only one is run, and an observation of a
free input is a choice only once, since after an answer to it no history gives the other.
"""

from __future__ import annotations

from collections.abc import Iterator

from stillgate.controller.program import (
    Begin,
    Block,
    Choose,
    If,
    Read,
    Statement,
    Switch,
    statements_in,
    terms_of,
    walk_term,
)

from .closed_loop import ClosedLoop


def choices_of(loop: ClosedLoop) -> int:
    """Most choices that a transition, or a beginning, asks."""
    signals = {signal.name for signal in loop.controller.signals}
    free = sum(len(item.history.queries) + item.history.resolves for item in loop.free)
    step = sum(_asked(block, signals) for block in _of_a_step(loop))
    return max(_asked(loop.begin, signals), step + free)


def widest_choice(loop: ClosedLoop) -> int:
    """Most answers that a choice has, at least 2."""
    members = (len(item) for free in loop.free for item in free.history.members)
    return max(2, *members, *_widths(loop.begin), *(width for b in _of_a_step(loop) for width in _widths(b)))


def _of_a_step(loop: ClosedLoop) -> Iterator[Block]:
    yield from (loop.before, loop.controller.observe, loop.controller.decide)
    yield from (signal.sense for signal in loop.sensed)
    yield from (loop.after, loop.settle, loop.moves)


def _widths(block: Block) -> Iterator[int]:
    for statement in statements_in(block):
        match statement:
            case Choose(count=count):
                yield count
            case Begin(options=options):
                yield len(options) + 1
            case _:
                pass


def _asked(block: Block, signals: set[str]) -> int:
    return sum(_asked_by(statement, signals) for statement in block)


def _asked_by(statement: Statement, signals: set[str]) -> int:
    """Choices of a statement; what is read and is no signal is a switch (``switchboard``) and may be one."""
    nodes = (node for term in terms_of(statement) for node in walk_term(term))
    own = sum(isinstance(node, Read) and node.signal not in signals for node in nodes)
    match statement:
        case Choose() | Begin():
            return own + 1
        case If(then=then, otherwise=otherwise):
            return own + max(_asked(then, signals), _asked(otherwise, signals))
        case Switch(arms=arms):
            return own + max((_asked(arm, signals) for _, arm in arms), default=0)
        case _:
            return own
