"""Steps a closed loop in Python, choice by choice, in the order the explored C asks.

Two uses: a story is a list of stored states and choices, and this replays it and says what
every signal did; and tests hold it against the C, choice for choice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from stillgate.controller.machine_file.field_types import Ticks
from stillgate.controller.program.evaluate import (
    BlockCode,
    BlockCompiler,
    Layout,
    TermCode,
    Values,
    answer_from_cells,
)
from stillgate.controller.program.program import Cell, NoteKind, Observation

from .closed_loop import ClosedLoop, FreeInput, goal_cell
from .free_inputs import NONE, Mode

Chooser = Callable[[str, int], int]
"""Answers a choice: (what is chosen, number of options) to 0 .. options - 1."""


@dataclass(frozen=True, slots=True)
class Tick:
    """What one tick did."""

    values: dict[str, int]  # every cell by name, as the requirements saw it
    nodes: dict[str, int]  # history node of each free input when the tick ended
    broken: tuple[int, ...]
    covered: tuple[int, ...]
    goals: tuple[bool, ...]


@dataclass
class _Asking:
    """Host of the loop's blocks: hands choices on and answers observations."""

    runner: LoopRunner
    chooser: Chooser | None = None
    nodes: dict[str, int] = field(default_factory=dict)
    broken: list[int] = field(default_factory=list)
    covered: list[int] = field(default_factory=list)

    def choose(self, cell: Cell, count: int) -> int:
        assert self.chooser is not None
        return self.chooser(cell.name, count)

    def read(self, values: Values, signal: str, observation: Observation, ticks: Ticks) -> int:
        free = self.runner.free.get(signal)
        if free is None and signal in self.runner.switches:
            return self.runner.switches[signal]
        if free is None:
            return self.runner.answers[signal](values, observation, ticks)
        history = free.history
        query = history.queries.index((observation, ticks if observation is Observation.HELD else 0))
        node = self.nodes[signal]
        yes, no = history.yes[node][query], history.no[node][query]
        if yes == NONE:
            return 0
        if no == NONE:
            return 1
        answer = self.choose_named(signal, 2)
        self.nodes[signal] = yes if answer else no
        return answer

    def choose_named(self, name: str, count: int) -> int:
        assert self.chooser is not None
        return self.chooser(name, count)

    def note(self, kind: NoteKind, index: int) -> None:
        (self.broken if kind is NoteKind.BROKEN else self.covered).append(index)


class LoopRunner:
    """A closed loop with a present state, stepped tick by tick."""

    def __init__(self, loop: ClosedLoop, *, switches: Mapping[str, int] | None = None) -> None:
        self.loop = loop
        self.switches = switches or {}  # answers that are told beforehand (parametric_checker)
        self.free: dict[str, FreeInput] = {item.signal.name: item for item in loop.free}
        self.layout = Layout((*loop.controller.cells, *loop.plant.cells, loop.fault, loop.dark))
        for cell in (*loop.key_cells, *(item.belief for item in loop.free)):
            self.layout.slot(cell)
        self.answers = {signal.name: answer_from_cells(signal, self.layout) for signal in loop.sensed}
        self.host = _Asking(self)
        compiler = BlockCompiler(self.layout, loop.tick, self.host)
        block: Callable[..., BlockCode] = compiler.block
        self._begin = block(loop.begin)
        self._before = block(loop.before)
        self._sense = [block(signal.sense) for signal in loop.sensed]
        self._observe = block(loop.controller.observe)
        self._decide = block(loop.controller.decide)
        self._after = block(loop.after)
        self._settle = block(loop.settle)
        self._moves = block(loop.moves)
        self._live: dict[str, Callable[[Values], int]] = {
            item.signal.name: compiler.term(item.live) for item in loop.free
        }
        self._compiler = compiler
        self._dark = self.layout.slot(loop.dark)
        self._fault = self.layout.slot(loop.fault)
        self._second = self.layout.slot(loop.second) if loop.budget > 1 else None
        self._goals = [self.layout.slot(goal_cell(i)) for i in range(len(loop.monitors.goals))]
        self._key_slots = [self.layout.slot(cell) for cell in loop.key_cells]
        self.values: Values = self.layout.start_values()

    # -- state ---------------------------------------------------------------------------

    def begin(self, chooser: Chooser) -> None:
        """Goes to a start state."""
        self.values = self.layout.start_values()
        self.host.chooser = chooser
        self._begin(self.values)

    def key(self) -> tuple[int, ...]:
        """The stored state, a value per cell of ``loop.key_cells``."""
        return tuple(map(self.values.__getitem__, self._key_slots))

    def load(self, key: Sequence[int]) -> None:
        """Goes to a stored state."""
        self.values = self.layout.start_values()
        for cell, value in zip(self.loop.key_cells, key, strict=True):
            self.values[self.layout.slot(cell)] = value
        if not self.loop.budget:
            self.values[self._fault] = self.values[self._dark] = 0

    @property
    def fault(self) -> int:
        """The number of the fault that has begun, 0 before."""
        return self.values[self._fault]

    # -- one tick ------------------------------------------------------------------------

    def settled_key(self) -> tuple[int, ...]:
        """The stored state that the present one counts as, dead values dropped."""
        kept = list(self.values)
        self._settle(self.values)
        key = self.key()
        self.values[:] = kept
        return key

    def step(self, chooser: Chooser, *, settle: bool = True) -> Tick:
        """One tick: both stages.

        Without ``settle`` dead values stay as they are. They change nothing that is asked or
        done later, and a story wants memory as the controller has it.
        """
        self._to_instant(chooser)
        host, values = self.host, self.values
        nodes = dict(host.nodes)
        goals = tuple(bool(values[slot]) for slot in self._goals)
        seen = dict(zip(self.layout.names, values, strict=True))
        self._from_instant(settle=settle)
        return Tick(seen, nodes, tuple(dict.fromkeys(host.broken)), tuple(host.covered), goals)

    def advance(self, chooser: Chooser) -> list[int]:
        """One tick of which only what broke is told."""
        self._to_instant(chooser)
        self._from_instant(settle=True)
        return self.host.broken

    def _to_instant(self, chooser: Chooser) -> None:
        """To where requirements read."""
        host, values = self.host, self.values
        host.chooser = chooser
        host.broken, host.covered = [], []
        self._before(values)
        host.nodes = {name: self._root(item) for name, item in self.free.items()}
        if values[self._dark]:
            self._sense_nothing()
        else:
            for sense in self._sense:
                sense(values)
            self._observe(values)
            self._decide(values)
        self._after(values)

    def _from_instant(self, *, settle: bool) -> None:
        self._close_beliefs()
        if settle:
            self._settle(self.values)
        self._moves(self.values)

    @cached_property
    def _truths(self) -> dict[str, TermCode]:
        """Of the parts; only a story asks for them."""
        truths = self.loop.plant.truths.items()
        return {f"{part}.{truth}": self._compiler.term(term) for (part, truth), term in truths}

    def truths(self, tick: Tick) -> dict[str, bool]:
        """Truths of every part in a tick, as the requirements saw them: ``leaf.moving``."""
        values = [tick.values.get(cell.name, cell.start) for cell in self.layout.cells]
        return {name: bool(term(values)) for name, term in self._truths.items()}

    def wrong(self) -> tuple[int, int, int]:
        """Numbers of the faults that have begun, and whether power is off."""
        second = 0 if self._second is None else self.values[self._second]
        return self.values[self._fault], second, self.values[self._dark]

    def mode(self, item: FreeInput) -> Mode:
        """How an input reaches the controller in the present tick."""
        if self.values[self._dark]:
            return Mode.DARK
        faults = {self.values[self._fault], 0 if self._second is None else self.values[self._second]} - {0}
        if item.stuck_on in faults:
            return Mode.STUCK_ON
        if item.stuck_off in faults:
            return Mode.STUCK_OFF
        return Mode.HEALTHY

    def _root(self, item: FreeInput) -> int:
        return item.history.roots[self.mode(item)][self.values[self.layout.slot(item.belief)]]

    def _sense_nothing(self) -> None:
        for signal in self.loop.sensed:
            self.values[self.layout.slot(signal.level)] = 0
            if signal.was is not None:
                self.values[self.layout.slot(signal.was)] = 0

    def _close_beliefs(self) -> None:
        for name, item in self.free.items():
            history = item.history
            if len(history.beliefs) < 2:
                continue
            slot = self.layout.slot(item.belief)
            if not self._live[name](self.values):
                assert history.forgotten is not None
                self.values[slot] = history.forgotten
                continue
            belief = history.ends[self.host.nodes[name]]
            members = history.members[belief]
            if len(members) > 1:
                belief = members[self.host.choose_named(f"{name} before", len(members))]
            self.values[slot] = belief
