"""The controller of a machine as a Program: inputs, sequences, outputs and the order of one scan.

It is made by ``lowering`` and read by every other form; the language it is written in is ``program``, its
self-check ``program_check``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ..machine_file.field_types import Milliseconds
from .clocks import Clock
from .program import Block, Cell, Term


@dataclass(frozen=True, slots=True)
class Signal:
    """An input of the controller, with what it remembers of its past.

    ``sense`` computes, from ``pin``, the cells that observations are answered from. It reads
    and writes this signal's cells only.
    """

    name: str
    pin: Cell  # local: electrical truth at the terminal, polarity not yet undone
    level: Cell  # local: debounced level
    was: Cell | None  # local: level of the previous scan, if an edge is asked for
    run: Cell | None  # persistent: scans the level has been true, saturating
    memory: tuple[Cell, ...]  # persistent cells, ``run`` included
    sense: Block
    active_low: bool


@dataclass(frozen=True, slots=True)
class ExitProgram:
    """A lowered exit or override."""

    guard: Term
    after: Milliseconds | None
    target: int
    actions: tuple[tuple[Cell, Term], ...]
    mark: int  # coverage index


@dataclass(frozen=True, slots=True)
class SequenceProgram:
    """A lowered sequence.

    ``active`` holds the number of the active state, or ``len(states)`` while power is off.
    """

    name: str
    states: tuple[str, ...]
    start: int
    active: Cell
    next_active: Cell  # local: the state that follows the scan
    elapsed: Cell | None  # scans since entry, saturating; None where no exit has a time
    overrides: tuple[ExitProgram, ...]
    exits: tuple[tuple[ExitProgram, ...], ...]  # by state


@dataclass(frozen=True, slots=True)
class OutputProgram:
    """A lowered output: demanded by active states, held off unless every permit is true."""

    name: str
    demand: Cell
    asked: Cell
    demanded_by: tuple[tuple[str, str], ...]  # (sequence, state)
    permits: tuple[tuple[int, Term], ...]  # (index in the file's interlocks, condition)
    active_low: bool


@dataclass(frozen=True, slots=True)
class Observer:
    """Memory of an argument of rising, falling or held that is more than one input's name."""

    text: str
    argument: Term
    now: Cell  # local
    was: Cell  # local
    run: Cell  # persistent


@dataclass(frozen=True, slots=True)
class Stage:
    """A part of the decision that reads scan-start values: one sequence's exits, or what follows them."""

    name: str
    block: Block


@dataclass(frozen=True, slots=True)
class ControllerProgram:
    """The controller of a machine at no particular period.

    ``scan`` is the order of one scan: sense every signal, update observers, exits and their
    actions, demands, interlocks.
    """

    name: str
    period: Milliseconds  # period that cell ranges are computed for
    signals: tuple[Signal, ...]
    observers: tuple[Observer, ...]
    sequences: tuple[SequenceProgram, ...]
    memory: Mapping[Cell, str]  # in the order of the file, each with its name there
    outputs: tuple[OutputProgram, ...]
    bounds_marks: tuple[tuple[Cell, int], ...]  # BROKEN index of each counter's bounds
    overlap_marks: tuple[tuple[int, int], ...]  # exits noted as true at once; BROKEN, after the counters
    exit_marks: tuple[str, ...]  # what each coverage index of an exit means
    observe: Block
    stages: tuple[Stage, ...]
    clocks: tuple[Clock, ...]

    @property
    def decide(self) -> Block:
        """Exits, actions, new states, demands and interlocks: all stages, one after another."""
        return tuple(statement for stage in self.stages for statement in stage.block)

    @property
    def cells(self) -> tuple[Cell, ...]:
        """Every persistent cell, in a fixed order."""
        found = [cell for signal in self.signals for cell in signal.memory]
        found += [observer.run for observer in self.observers]
        for sequence in self.sequences:
            found.append(sequence.active)
            if sequence.elapsed is not None:
                found.append(sequence.elapsed)
        found += self.memory
        found += [output.asked for output in self.outputs]
        return tuple(found)
