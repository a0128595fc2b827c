"""What may be true of an input that nothing drives: every history, asked for only when read.

A free input (an operator's button, or a switch no part moves) may be anything in every
scan. Choosing its level in every scan would multiply the exploration by two per input and
scan, mostly for nothing. Instead, a *belief* is kept: the set of memory values (debounce,
run counter, previous circuit level) that some history of the input allows. A tick begins
with the pairs

    { (memory, circuit level) : memory in belief, level in {0, 1} }

and every observation asked of the input splits that set: if both answers are possible the
search chooses, and the set shrinks to the pairs that give the chosen answer. What is left
at the end of the tick, moved one scan ahead, is the next belief.

This is exact in both directions: each pair left over belongs to a history that gives
exactly the answers chosen so far, and every history gives some chosen sequence of answers.
The memory's step is not written again here: it is the signal's own ``sense`` block, run by
the Python evaluator, once per pair, and laid down in tables.

``exact=True`` keeps one memory value per belief by choosing at the end of the tick.
Possibility ('from anywhere') needs that: a set of histories may do together what no one of
them can do. An input whose beliefs would be too many falls back to it as well.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import IntEnum

from stillgate.controller.errors import UsageError
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.program.controller_program import Signal
from stillgate.controller.program.evaluate import BlockCompiler, Layout, answer_from_cells
from stillgate.controller.program.program import (
    Assign,
    Block,
    Cell,
    NoteKind,
    Observation,
    Ref,
    Statement,
    Term,
)
from stillgate.controller.program.program_map import map_block

Query = tuple[Observation, Ticks]
"""An observation with its preset time in ticks (0 where it has none)."""

Memory = tuple[int, ...]
"""Values of a signal's memory cells, then the circuit level of the tick before."""

NONE = 0xFFFF
"""No node: the answer is impossible."""

_NODE_LIMIT = 4000
_EXACT_LIMIT = 0x7FFF  # nodes are 15 bits in the checker


class Mode(IntEnum):
    """How the input reaches the controller in a tick."""

    HEALTHY = 0
    STUCK_ON = 1
    STUCK_OFF = 2
    DARK = 3  # power is off: the controller senses nothing and forgets


@dataclass(frozen=True, slots=True)
class Pair:
    """One possible tick of an input: its memory before, and the circuit level in the tick."""

    memory: Memory
    circuit: int


@dataclass(frozen=True)
class History:
    """Tables of one free input.

    Attributes:
        beliefs: memory sets; ``start`` is the index of the cold start's.
        roots: node at the beginning of a tick, by mode and belief; ``NONE`` where no tick begins
            with that belief.
        yes, no: node after an answer, by node and query; ``NONE`` if impossible.
        ends: belief after the tick, by node.
        members: beliefs of one value each that a belief is resolved to; a single entry
            (itself) where nothing needs resolving.
        forgotten: belief that stands for 'will not be read', or None where memory may
            be read later than in the next scan.
    """

    queries: tuple[Query, ...]
    beliefs: tuple[frozenset[Memory], ...]
    start: int
    roots: tuple[tuple[int, ...], ...]
    yes: tuple[tuple[int, ...], ...]
    no: tuple[tuple[int, ...], ...]
    ends: tuple[int, ...]
    members: tuple[tuple[int, ...], ...]
    forgotten: int | None
    pairs: tuple[frozenset[Pair], ...] = field(repr=False)
    steps: dict[tuple[int, Pair], Memory] = field(repr=False)  # by mode and pair

    @property
    def resolves(self) -> bool:
        """Whether some belief is resolved to one value at the end of a tick."""
        return any(len(item) > 1 for item in self.members)


class _NoChoice:
    """Host of a sense block, which asks nothing."""

    def choose(self, cell: Cell, count: int) -> int:
        raise AssertionError("sensing makes no choice")

    def read(self, values: list[int], signal: str, observation: Observation, ticks: Ticks) -> int:
        raise AssertionError("sensing reads its own cells only")

    def note(self, kind: NoteKind, index: int) -> None:
        raise AssertionError("sensing reports nothing")


class _Sensor:
    """Runs a signal's ``sense`` block on one pair."""

    def __init__(self, signal: Signal, queries: tuple[Query, ...], period: Milliseconds) -> None:
        self.signal = signal
        self.queries = queries
        self.layout = Layout((signal.pin, *signal.memory, signal.level))
        self.run = BlockCompiler(self.layout, period, _NoChoice()).block(signal.sense)
        self.answer = answer_from_cells(signal, self.layout)
        self.start: Memory = (*(cell.start for cell in signal.memory), 0)
        self.known: dict[tuple[Mode, Pair], tuple[Memory, tuple[int, ...]]] = {}

    def step(self, mode: Mode, pair: Pair) -> tuple[Memory, tuple[int, ...]]:
        """Memory after the tick, and the answer to every query within it."""
        found = self.known.get((mode, pair))
        if found is None:
            found = self.known[mode, pair] = self._step(mode, pair)
        return found

    def _step(self, mode: Mode, pair: Pair) -> tuple[Memory, tuple[int, ...]]:
        values = self.layout.start_values()
        if mode is not Mode.DARK:
            conducts = {Mode.HEALTHY: pair.circuit, Mode.STUCK_ON: 1, Mode.STUCK_OFF: 0}[mode]
            values[self.layout.slot(self.signal.pin)] = conducts ^ int(self.signal.active_low)
            for cell, value in zip(self.signal.memory, pair.memory, strict=False):
                values[self.layout.slot(cell)] = value
            self.run(values)
        memory = tuple(values[self.layout.slot(cell)] for cell in self.signal.memory)
        answers = tuple(self._answer(values, pair, query) for query in self.queries)
        return (*memory, pair.circuit), answers

    def _answer(self, values: list[int], pair: Pair, query: Query) -> int:
        before = pair.memory[-1]
        match query[0]:
            case Observation.CIRCUIT:
                return pair.circuit
            case Observation.CIRCUIT_ROSE:
                return pair.circuit & (1 - before)
            case Observation.CIRCUIT_FELL:
                return before & (1 - pair.circuit)
            case observation:
                return self.answer(values, observation, query[1])


def history_of(
    signal: Signal, queries: Iterable[Query], period: Milliseconds, *, exact: bool = False
) -> History:
    """The tables of a free input that is asked the given queries."""
    asked = tuple(dict.fromkeys(queries))
    builder = _Builder(signal, asked, period, exact)
    if not exact and not builder.fits():
        builder = _Builder(signal, asked, period, exact=True)
    return builder.history()


class Histories:
    """The tables of the free inputs of a loop, worked out once for all inputs that are alike.

    Args:
        period: tick of the loop in ms.
        exact: keep one memory value per belief.
    """

    def __init__(self, period: Milliseconds, *, exact: bool) -> None:
        self._period = period
        self._exact = exact
        self._known: dict[tuple[object, ...], History] = {}

    def of(self, signal: Signal, queries: Iterable[Query]) -> History:
        """The tables of an input that is asked the given queries; of inputs that are alike the same."""
        asked = tuple(dict.fromkeys(queries))
        shape = _shape(signal, asked)
        found = self._known.get(shape)
        if found is None:
            found = self._known[shape] = history_of(signal, asked, self._period, exact=self._exact)
        return found


def _shape(signal: Signal, asked: tuple[Query, ...]) -> tuple[object, ...]:
    """Everything of a signal but its name: equal for inputs that sense, remember and are asked alike."""
    own = (signal.pin, signal.level, signal.was, signal.run, *signal.memory)
    numbers: dict[Cell, Ref] = {}
    for cell in own:
        if cell is not None and cell not in numbers:
            kind = (
                str(len(numbers)),
                cell.low,
                cell.high,
                cell.start,
                cell.scope,
                cell.persistent,
                cell.role,
            )
            numbers[cell] = Ref(Cell(*kind))

    def term(given: Term) -> Term:
        return numbers[given.cell] if isinstance(given, Ref) else given

    def statement(given: Statement) -> Block:
        return (Assign(numbers[given.cell].cell, given.value) if isinstance(given, Assign) else given,)

    sense = map_block(signal.sense, term=term, statement=statement)
    return tuple(cell and numbers[cell] for cell in own), sense, signal.active_low, asked


class _Builder:
    def __init__(self, signal: Signal, queries: tuple[Query, ...], period: Milliseconds, exact: bool) -> None:
        self.signal = signal
        self.queries = queries
        self.period = period
        self.sensor = _Sensor(signal, queries, period)
        self.exact = exact
        self.sees_past = any(
            item[0] in (Observation.CIRCUIT_ROSE, Observation.CIRCUIT_FELL) for item in queries
        )
        self.edge_only = signal.run is not None and signal.run.high == 1 and len(signal.memory) == 1
        self.beliefs: dict[frozenset[Memory], int] = {}
        self.nodes: dict[tuple[Mode, frozenset[Pair]], int] = {}
        self.roots: dict[tuple[Mode, int], int] = {}
        self.yes: list[tuple[int, ...]] = []
        self.no: list[tuple[int, ...]] = []
        self.ends: list[int] = []
        self.pending_nodes: list[tuple[Mode, frozenset[Pair]]] = []
        self.pending_beliefs: list[frozenset[Memory]] = []
        self._belief(frozenset({self._forget_past(self.sensor.start)}))
        self.complete = self._close()

    def fits(self) -> bool:
        return self.complete

    def _forget_past(self, memory: Memory) -> Memory:
        # The circuit's previous level is part of the memory only where somebody asks for it.
        return memory if self.sees_past else (*memory[:-1], 0)

    def _belief(self, belief: frozenset[Memory]) -> int:
        number = self.beliefs.get(belief)
        if number is None:
            number = self.beliefs[belief] = len(self.beliefs)
            self.pending_beliefs.append(belief)
        return number

    def _node(self, mode: Mode, pairs: frozenset[Pair]) -> int:
        number = self.nodes.get((mode, pairs))
        if number is None:
            number = self.nodes[mode, pairs] = len(self.nodes)
            self.pending_nodes.append((mode, pairs))
        return number

    def _close(self) -> bool:
        """Follows every answer from every belief; False if there are too many."""
        limit = _EXACT_LIMIT if self.exact else _NODE_LIMIT
        while self.pending_beliefs or self.pending_nodes:
            if len(self.nodes) > limit:
                if self.exact:
                    raise UsageError(
                        f"input {self.signal.name} is held or debounced for too many ticks of "
                        f"{format_duration(self.period)}; check at a longer tick"
                    )
                return False
            if self.pending_nodes:
                self._expand(*self.pending_nodes.pop(0))
                continue
            belief = self.pending_beliefs.pop(0)
            number = self.beliefs[belief]
            if self.exact and len(belief) > 1:
                for memory in sorted(belief):
                    self._belief(frozenset({memory}))
                if not self._is_full(belief):  # resolved in the tick it ends: no tick begins with it
                    for mode in Mode:
                        self.roots[mode, number] = NONE
                    continue
            pairs = frozenset(Pair(memory, circuit) for memory in belief for circuit in (0, 1))
            for mode in Mode:
                self.roots[mode, number] = self._node(mode, pairs)
        return True

    def _expand(self, mode: Mode, pairs: frozenset[Pair]) -> None:
        yes: list[int] = []
        no: list[int] = []
        for index in range(len(self.queries)):
            true = frozenset(pair for pair in pairs if self.sensor.step(mode, pair)[1][index])
            false = pairs - true
            yes.append(self._node(mode, true) if true else NONE)
            no.append(self._node(mode, false) if false else NONE)
        self.yes.append(tuple(yes))
        self.no.append(tuple(no))
        after = frozenset(self._forget_past(self.sensor.step(mode, pair)[0]) for pair in pairs)
        self.ends.append(self._belief(after))

    def _is_full(self, belief: frozenset[Memory]) -> bool:
        return self.edge_only and not self.sees_past and len(belief) == 2

    def history(self) -> History:
        full = next((belief for belief in self.beliefs if self._is_full(belief)), None)
        forgotten = self.beliefs[full] if full is not None else None
        members = tuple(
            tuple(self.beliefs[frozenset({memory})] for memory in sorted(belief))
            if self.exact and all(frozenset({memory}) in self.beliefs for memory in belief)
            else (number,)
            for belief, number in self.beliefs.items()
        )
        return History(
            queries=self.queries,
            beliefs=tuple(self.beliefs),
            start=0,
            roots=tuple(
                tuple(self.roots[mode, number] for number in range(len(self.beliefs))) for mode in Mode
            ),
            yes=tuple(self.yes),
            no=tuple(self.no),
            ends=tuple(self.ends),
            members=members,
            forgotten=forgotten,
            pairs=tuple(pairs for _, pairs in self.nodes),
            steps={
                (int(mode), pair): self._forget_past(memory)
                for (mode, pair), (memory, _) in self.sensor.known.items()
            },
        )
