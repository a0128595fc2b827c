"""The self-check of a closed loop: that one tick is complete, and that its key holds all that the next reads.

The tests ask after every loop that is made while they run. What is checked,
the controller's own invariants apart (``controller.program.program_check``):

* what a tick reads of the tick before it is in the key, with power and without;
* what must be written before it is read is written in every tick, in the order of ``closed_loop``;
* every observation asked of a free input is in its history;
* marks mean something, faults are numbered from 1 without a gap;
* clocks are stored, can take one value only, or are of free inputs, whose beliefs are stored; the cells of
  parts come last in the key.
"""

from __future__ import annotations

from collections.abc import Iterator

from stillgate.controller.program.footprint import Footprint, cells_written
from stillgate.controller.program.program import (
    FALSE,
    Assign,
    Block,
    Cell,
    If,
    Note,
    NoteKind,
    Observation,
    Read,
    Ref,
    Statement,
    statements_in,
    terms_in,
    ticks_up,
)
from stillgate.controller.program.program_check import (
    BlockCheck,
    assert_clocks,
    is_told,
    require,
)

from .closed_loop import ClosedLoop


def assert_loop_consistent(loop: ClosedLoop) -> None:
    """That a closed loop keeps its invariants.

    Raises:
        InconsistentProgram: with the first that it breaks.
    """
    check = BlockCheck({item.name: item for item in loop.controller.signals}, loop.tick)
    key = loop.key_cells
    for cell in (*loop.controller.cells, *key):
        check.cell(cell)
    for signal in loop.controller.signals:
        check.block(signal.sense)
    check.block((*loop.begin, *_tick(loop)))
    require(len(set(key)) == len(key), "a cell is twice in the key")
    parts = [cell for cell in loop.plant.cells if cell.low != cell.high]
    require(list(key[len(key) - len(parts) :]) == parts, "the cells of the parts are not the last of the key")
    constant = {item.cell for item in loop.clocks if item.cell.low == item.cell.high}
    believed = {cell for item in loop.free for cell in item.signal.memory}
    assert_clocks(loop.clocks, {*key, *constant, *believed}, check)
    _check_order(loop)
    _check_questions(loop)
    _check_marks(loop)


def _tick(loop: ClosedLoop) -> Block:
    """One tick as one block."""
    sensed: list[Statement] = [item for signal in loop.sensed for item in signal.sense]
    nothing = [Assign(cell, FALSE) for signal in loop.sensed for cell in (signal.level, signal.was) if cell]
    scan = (*sensed, *loop.controller.observe, *loop.controller.decide)
    power = If(Ref(loop.dark), tuple(nothing), scan) if loop.budget else None
    return (*loop.before, *(scan if power is None else (power,)), *loop.after, *loop.settle, *loop.moves)


def _check_order(loop: ClosedLoop) -> None:
    footprint = Footprint({signal.name: signal for signal in loop.sensed})
    footprint.block(_tick(loop))
    # Without power nothing is asked for: what is not kept for the controller is at its start.
    known = {*loop.key_cells, *(output.asked for output in loop.controller.outputs)}
    for key in footprint.reads:
        if isinstance(key, Cell):
            fixed = key.persistent and (key.low == key.high or key in (loop.fault, loop.second, loop.dark))
            require(key in known or fixed, f"a tick reads {key.name} of the tick before, which is not kept")
    begun = {cell for cell in cells_written(loop.begin) if cell.persistent}
    require(begun <= {*loop.plant.cells}, "what is chosen at the start is more than where the parts stand")


def _check_questions(loop: ClosedLoop) -> None:
    free = {item.signal.name: item for item in loop.free}
    sensed = {signal.name for signal in loop.sensed}
    for term in _reads(loop):
        if term.signal in free:
            held = term.observation is Observation.HELD
            query = (term.observation, ticks_up(term.milliseconds, loop.tick) if held else 0)
            require(query in free[term.signal].history.queries, f"{query} is not in the history")
        else:
            require(term.signal in sensed or is_told(term.signal), f"{term.signal} is answered by nothing")
    for item in loop.free:
        require(0 <= item.history.start < len(item.history.beliefs), f"{item.signal.name} begins nowhere")


def _reads(loop: ClosedLoop) -> Iterator[Read]:
    yield from (term for term in terms_in(_tick(loop)) if isinstance(term, Read))


def _check_marks(loop: ClosedLoop) -> None:
    numbers = [item.number for item in loop.faults]
    require(sorted(numbers) == list(range(1, len(numbers) + 1)), "faults are not numbered without a gap")
    require(len(numbers) <= loop.fault.high, "a fault has no number in its cell")
    broken = len(loop.requirement_names)
    covered = len(loop.controller.exit_marks) + len(loop.monitors.triggers)
    for item in statements_in(_tick(loop)):
        if isinstance(item, Note):
            most = broken if item.kind is NoteKind.BROKEN else covered
            require(0 <= item.index < most, f"{item.kind.value} {item.index} means nothing")
