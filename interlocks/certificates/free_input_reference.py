"""An input that nothing drives, from the meaning of its statements, for the re-check of certificates.

A *memory* is what the controller remembers of the input (the cells of its ``sense`` statements)
and the circuit's level of the tick before. In a tick a memory meets a level; the pair has one
answer to every observation and one memory after the tick.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.program.controller_program import Signal
from stillgate.controller.program.evaluate import BlockCompiler, Layout, Values, answer_from_cells
from stillgate.controller.program.program import Cell, NoteKind, Observation

from ..loop.closed_loop import FreeInput

Memory = tuple[int, ...]
Pair = tuple[Memory, int]
"""Memory of an input before the tick, and the level of its circuit in it."""

HEALTHY, STUCK_ON, STUCK_OFF, DARK = range(4)
"""How an input reaches the controller in a tick; dark: there is no power and nothing is sensed."""


@dataclass
class BelievedInput:
    """A free input: its meaning, and the beliefs that a certificate numbers."""

    item: FreeInput
    sets: tuple[frozenset[Memory], ...]
    period: Milliseconds
    past: bool  # whether anything asks for the circuit's own edges
    known: dict[tuple[int, Pair], tuple[Memory, Values]] = field(default_factory=dict)
    wider: dict[frozenset[Memory], tuple[int, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        signal: Signal = self.item.signal
        self.layout = Layout((signal.pin, *signal.memory, signal.level))
        self.run = BlockCompiler(self.layout, self.period, _Silent()).block(signal.sense)
        self.answer = answer_from_cells(signal, self.layout)
        self.past = any(
            query[0] in (Observation.CIRCUIT_ROSE, Observation.CIRCUIT_FELL)
            for query in self.item.history.queries
        )
        self.start: Memory = (*(cell.start for cell in signal.memory), 0)

    def after(self, mode: int, pair: Pair) -> tuple[Memory, Values]:
        """Memory after a tick, and the values that observations are answered from."""
        found = self.known.get((mode, pair))
        if found is None:
            signal, values = self.item.signal, self.layout.start_values()
            if mode != DARK:
                level = {HEALTHY: pair[1], STUCK_ON: 1, STUCK_OFF: 0}[mode]
                values[self.layout.slot(signal.pin)] = level ^ int(signal.active_low)
                for cell, value in zip(signal.memory, pair[0], strict=False):
                    values[self.layout.slot(cell)] = value
                self.run(values)
            kept = tuple(values[self.layout.slot(cell)] for cell in signal.memory)
            found = self.known[mode, pair] = ((*kept, pair[1] if self.past else 0), values)
        return found

    def says(self, mode: int, pair: Pair, observation: Observation, ticks: Ticks) -> bool:
        """The answer that a pair gives."""
        before, now = pair[0][-1], pair[1]
        match observation:
            case Observation.CIRCUIT:
                return bool(now)
            case Observation.CIRCUIT_ROSE:
                return bool(now and not before)
            case Observation.CIRCUIT_FELL:
                return bool(before and not now)
            case _:
                return bool(self.answer(self.after(mode, pair)[1], observation, ticks))

    def believing(self, memories: frozenset[Memory]) -> tuple[int, ...]:
        """Numbers of the certificate's beliefs that include these memories, the smallest first."""
        found = self.wider.get(memories)
        if found is None:
            fitting = [number for number, known in enumerate(self.sets) if memories <= known]
            found = self.wider[memories] = tuple(sorted(fitting, key=lambda number: len(self.sets[number])))
        return found


class _Silent:
    """Host of sensing, which asks nothing."""

    def choose(self, cell: Cell, count: int) -> int:
        raise AssertionError("sensing chooses nothing")

    def read(self, values: Values, signal: str, observation: Observation, ticks: Ticks) -> int:
        raise AssertionError("sensing reads its own cells")

    def note(self, kind: NoteKind, index: int) -> None:
        raise AssertionError("sensing notes nothing")
