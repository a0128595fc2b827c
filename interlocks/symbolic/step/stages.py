"""The stages of a tick, between which situations that differ in nothing that matters become one.

A stage is a block of the loop's own statements. What is read after it (its *live* cells: by a later stage
before that surely writes it, by a limit, or as part of the key) is found as live variables are in compilers
(Aho, Lam, Sethi, Ullman, Compilers, 2nd ed., 9.2; from memory); the rest is blanked at its end.
"""

from __future__ import annotations

from dataclasses import dataclass

from stillgate.controller.program.footprint import Footprint, cells_written, signals_read
from stillgate.controller.program.program import (
    Assign,
    Block,
    Cell,
    Complement,
    Constant,
    If,
    Ref,
    Statement,
    walk_term,
)

from ...loop.closed_loop import ClosedLoop, goal_cell


@dataclass(frozen=True)
class TickStage:
    """One stage.

    Attributes:
        block: its statements.
        blanks: cells that may hold something at its end and are not read any more.
        forgets: free inputs whose answers are not asked for any more.
        gives_up: free inputs whose answers only a requirement can still ask for; where a memory of them is
            kept, only once it is known whether that memory is read.
    """

    block: Block
    blanks: tuple[Cell, ...]
    forgets: tuple[str, ...]
    gives_up: tuple[str, ...]


@dataclass(frozen=True)
class TickStages:
    """The stages of a tick, the last of which moves the parts.

    Attributes:
        first: what comes before them, and before the histories of free inputs are looked up.
        goals: the number of the stage at whose end goals are known.
        closing: the number of the stage before which the beliefs of free inputs close.
    """

    first: Block
    stages: tuple[TickStage, ...]

    @property
    def goals(self) -> int:
        return len(self.stages) - 3

    @property
    def closing(self) -> int:
        return len(self.stages) - 2


def tick_stages(loop: ClosedLoop) -> TickStages:
    """The stages of a loop's tick."""
    blocks = _blocks(loop)
    after = len(blocks) - 3
    asked = {node.cell for item in loop.free for node in walk_term(item.live) if isinstance(node, Ref)}
    assert not asked & set(cells_written(loop.after)), "whether a memory is read changes after it was asked"
    read = {node.cell for clock in loop.clocks for node in walk_term(clock.limit) if isinstance(node, Ref)}
    last = {*read, *loop.key_cells}
    goals = {goal_cell(i) for i in range(len(loop.monitors.goals))}
    found: list[TickStage] = []
    live: set[Cell] = {*loop.key_cells, *cells_written(loop.before)}
    for number, block in enumerate(blocks):
        before, live = live, _live(loop, blocks[number + 1 :], last) | (goals if number == after else set())
        written = dict.fromkeys(cells_written(block))
        blanks = [
            cell for cell in {**dict.fromkeys(sorted(before, key=_name)), **written} if cell not in live
        ]
        found.append(TickStage(block, tuple(blanks), *_done_with(loop, blocks[number + 1 :])))
    return TickStages(loop.before, tuple(found))


def _done_with(loop: ClosedLoop, rest: list[Block]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Free inputs that are forgotten, and those that are given up, when these blocks are still to come."""
    by_scan = signals_read(tuple(item for block in rest[:-3] for item in block))
    by_any = signals_read(tuple(item for block in rest for item in block))
    forgets, gives_up = [], []
    for item in loop.free:
        name, remembered = item.signal.name, len(item.history.beliefs) > 1
        if name not in by_any and (not remembered or len(rest) < 2):
            forgets.append(name)
        elif len(rest) > 2 and name not in by_scan and (not remembered or len(rest) == 3):
            gives_up.append(name)
    return tuple(forgets), tuple(gives_up)


def _blocks(loop: ClosedLoop) -> list[Block]:
    """Scan in pieces, requirements, what is dropped, parts.

    A piece of the scan ends where an input is read for the last time, else there is hardly anything to make
    one. Without power the scan is left out, and every circuit reads open.
    """
    sensed = tuple(item for signal in loop.sensed for item in signal.sense)
    open_circuits = tuple(
        Assign(cell, Constant(0))
        for signal in loop.sensed
        for cell in (signal.level, signal.was)
        if cell is not None
    )
    powered = Complement(Ref(loop.dark))
    free = {item.signal.name for item in loop.free}
    stages = [stage.block for stage in loop.controller.stages]
    pieces: list[Block] = []
    piece: Block = (If(powered, (*sensed, *loop.controller.observe), open_circuits),)
    for number, block in enumerate(stages):
        piece = (*piece, If(powered, block))
        later = signals_read(tuple(item for rest in stages[number + 1 :] for item in rest))
        if number < len(stages) - 2 and (signals_read(piece) & free) - later:
            pieces.append(piece)
            piece = ()
    return [*pieces, piece, loop.after, loop.settle, loop.moves]


def _live(loop: ClosedLoop, later: list[Block], last: set[Cell]) -> set[Cell]:
    """Cells that later stages, limits or the key read of what is there now."""
    rest: list[Statement] = []
    for number, block in enumerate(later):
        if number == len(later) - 2:
            rest += (Assign(item.belief, item.live) for item in loop.free)
        rest += block
    footprint = Footprint({signal.name: signal for signal in loop.sensed})
    written = footprint.block(tuple(rest))
    return {cell for cell in footprint.reads if isinstance(cell, Cell)} | (last - written)


def _name(cell: Cell) -> str:
    return cell.name
