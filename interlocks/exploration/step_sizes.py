"""How large the engine's structures have to be for one machine: counted in its own program.

How many choices a tick may ask and how many answers one may have are bounds that always hold:
of the arms of a condition only one is run, and an observation of a free input is a choice only
once, since after an answer to it no history gives the other. How deep a search gets is a guess.
"""

from __future__ import annotations

from collections.abc import Iterator

from stillgate.controller.program.program import (
    Begin,
    Block,
    Choose,
    If,
    Read,
    Statement,
    Switch,
    statements_in,
    terms_of,
    ticks_up,
    walk_term,
)

from ..loop.closed_loop import ClosedLoop


def sizes_source(loop: ClosedLoop) -> list[str]:
    """Definitions for ``step_api.h`` and ``state_table.h``."""
    bits = _depth_bits(loop)
    return [
        f"#define SG_MAX_CHOICES {max(1, choices_of(loop))}",
        f"#define SG_WIDEST {widest_choice(loop)}",
        f"#define SG_FREE {len(loop.free)}",
        *([f"#define SG_DEPTH_BITS {bits}"] if bits > _LEAST_DEPTH_BITS else []),
    ]


def choices_of(loop: ClosedLoop) -> int:
    """Most choices that a transition, or a beginning, asks."""
    signals = {signal.name for signal in loop.controller.signals}
    free = sum(len(item.history.queries) + item.history.resolves for item in loop.free)
    step = sum(_asked(block, signals) for block in _of_a_step(loop))
    return max(_asked(loop.begin, signals), step + free)


def widest_choice(loop: ClosedLoop) -> int:
    """Most answers that a choice has, at least 2."""
    members = (len(item) for free in loop.free for item in free.history.members)
    steps = (width for block in _of_a_step(loop) for width in _widths(block))
    return max((2, *members, *_widths(loop.begin), *steps))


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
    """Choices of a statement; what is read and is no signal is a switch (``parametric_checker``)."""
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


_LEAST_DEPTH_BITS, _MOST_DEPTH_BITS = 12, 20  # what state_table.h takes and a million ticks need


def _depth_bits(loop: ClosedLoop) -> int:
    """Bits that the depth of a state may need: more where times make ways of over 4095 ticks likely.

    Every state of every sequence once for its longest time, then every clock of parts and
    requirements once. A guess that costs memory where it is too large, and leaves the check
    undecided where it is too small.
    """
    ticks = sum(
        max((ticks_up(item.after, loop.tick) for item in items if item.after is not None), default=0)
        for sequence in loop.controller.sequences
        for items in sequence.exits
    )
    ticks += sum(cell.high - cell.low for cell in (*loop.plant.cells, *loop.monitors.cells))
    return min(ticks.bit_length(), _MOST_DEPTH_BITS)
