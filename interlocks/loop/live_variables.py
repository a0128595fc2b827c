"""Canonical states: what cannot be read before it is written again is set to one value.

Three kinds of value die:

* time since entry, beyond the longest time any exit of the active state waits for;
* memory that only its own sequence reads, in states from which no path reads it before
  it is overwritten (backward data flow over the sequence's exits and overrides; what an exit
  reads and overwrites says ``controller.footprint``);
* the remembered level behind ``rising`` and ``falling``, which is overwritten in every scan,
  when nothing that may be looked at in the next scan asks for it.

Two states that differ only in dead values have the same futures, so they are one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from stillgate.controller.expressions.expression import Operator
from stillgate.controller.program.clocks import Clock, ClockKind
from stillgate.controller.program.controller_program import ControllerProgram, ExitProgram, SequenceProgram
from stillgate.controller.program.footprint import (
    cells_read,
    overwritten_by_exit,
    read_by_exit,
    terms_of_exit,
    written_by_exit,
)
from stillgate.controller.program.program import (
    TRUE,
    Assign,
    Block,
    Cell,
    Constant,
    If,
    Lookup,
    Observation,
    Operation,
    Read,
    Ref,
    Term,
    disjunction,
    walk_term,
)

_EDGES = (Observation.ROSE, Observation.FELL)


@dataclass(frozen=True, slots=True)
class Liveness:
    """What keeps states canonical.

    ``settle`` runs at the end of every tick, before the parts move. ``edge_live`` says for
    each signal that only edges are asked of when its remembered level may still be read.
    """

    settle: Block
    edge_live: dict[str, Term]


def liveness(controller: ControllerProgram, others: Block) -> Liveness:
    """Liveness in a controller whose values ``others`` (monitors, goals) may read as well."""
    settle: list[If] = []
    settle += [_cap(clock) for clock in controller.clocks if clock.kind is ClockKind.STATE]
    settle += _dead_memory(controller, others)
    readers = _EdgeReaders(controller)
    edge_live: dict[str, Term] = {}
    for signal in controller.signals:
        if signal.run is not None and signal.run.high == 1:
            edge_live[signal.name] = readers.of(signal.name)
    for observer in controller.observers:
        if observer.run.high == 1:
            settle += _kill_unless(readers.of(observer.was), observer.run)
    return Liveness(tuple(settle), edge_live)


def kill_edge_memory(controller: ControllerProgram, live: dict[str, Term], signals: Iterable[str]) -> Block:
    """Statements that forget dead edge memory of signals that are sensed, not free."""
    wanted = set(signals)
    found: list[If] = []
    for signal in controller.signals:
        if signal.name in wanted and signal.name in live and signal.run is not None:
            found += _kill_unless(live[signal.name], signal.run)
    return tuple(found)


def _kill_unless(live: Term, cell: Cell) -> list[If]:
    if live == TRUE:
        return []
    return [If(live, (), (Assign(cell, Constant(cell.start)),))]


def _cap(clock: Clock) -> If:
    """Time since entry, beyond what any exit of the active state waits for, is as good as that."""
    return If(Operation(Operator.GT, Ref(clock.cell), clock.limit), (Assign(clock.cell, clock.limit),))


# -- memory ------------------------------------------------------------------------------------


def _dead_memory(controller: ControllerProgram, others: Block) -> list[If]:
    permits = tuple(If(permit, ()) for output in controller.outputs for _, permit in output.permits)
    read_outside = cells_read((*others, *controller.observe, *permits))
    read_by: dict[Cell, list[SequenceProgram]] = {}
    written_by: dict[Cell, list[SequenceProgram]] = {}
    for sequence in controller.sequences:
        for sequences, cells_of in ((read_by, read_by_exit), (written_by, written_by_exit)):
            for cell in {cell for item in _items(sequence) for cell in cells_of(item)}:
                sequences.setdefault(cell, []).append(sequence)
    found: list[If] = []
    for cell in controller.memory:
        readers, writers = read_by.get(cell, []), written_by.get(cell, [])
        if cell in read_outside or len(readers) > 1 or (readers and readers != writers):
            continue
        if not readers:
            found += [If(TRUE, (Assign(cell, Constant(cell.start)),))]
            continue
        live = _live_states(readers[0], cell)
        if not all(live):
            found += _kill_unless(Lookup((*map(int, live), 0), Ref(readers[0].active)), cell)
    return found


def _items(sequence: SequenceProgram) -> list[ExitProgram]:
    return [*sequence.overrides, *(item for items in sequence.exits for item in items)]


def _live_states(sequence: SequenceProgram, cell: Cell) -> list[bool]:
    """Per state, whether some path from it reads the cell before nothing is left of it."""
    live = [False] * len(sequence.states)
    changed = True
    while changed:
        changed = False
        for number, exits in enumerate(sequence.exits):
            if not live[number] and any(_wants(item, cell, live) for item in (*sequence.overrides, *exits)):
                live[number] = changed = True
    return live


def _wants(item: ExitProgram, cell: Cell, live: list[bool]) -> bool:
    """Whether an exit reads the cell, or leaves it to a state from which it is read."""
    return cell in read_by_exit(item) or (live[item.target] and cell not in overwritten_by_exit(item))


# -- edges -------------------------------------------------------------------------------------


class _EdgeReaders:
    """Where edges are asked for: one walk over the controller, for all signals and observers at once.

    An edge is named by its signal, or by the cell of an observer's last value.
    """

    def __init__(self, controller: ControllerProgram) -> None:
        self._always = _edges(
            term
            for output in controller.outputs
            for _, permit in output.permits
            for term in walk_term(permit)
        )
        self._states: dict[str | Cell, dict[int, list[int]]] = {}  # by sequence: which states' exits ask
        self._sequences = controller.sequences
        for number, sequence in enumerate(controller.sequences):
            self._always |= _edges_of_exits(sequence.overrides)
            for state, exits in enumerate(sequence.exits):
                for edge in _edges_of_exits(exits):
                    lives = self._states.setdefault(edge, {})
                    lives.setdefault(number, [0] * len(sequence.exits))[state] = 1

    def of(self, edge: str | Cell) -> Term:
        """When the next scan may ask for an edge: in which active states, or always."""
        if edge in self._always:
            return TRUE
        readers: list[Term] = []
        for number, live in self._states.get(edge, {}).items():
            sequence = self._sequences[number]
            off = live[sequence.start]  # without power; the first scan with it looks at the start's exits
            readers.append(Lookup((*live, off), Ref(sequence.active)))
        return disjunction(tuple(readers))


def _edges_of_exits(exits: Iterable[ExitProgram]) -> set[str | Cell]:
    return _edges(node for item in exits for term in terms_of_exit(item) for node in walk_term(term))


def _edges(nodes: Iterable[Term]) -> set[str | Cell]:
    found: set[str | Cell] = set()
    for node in nodes:
        if isinstance(node, Read) and node.observation in _EDGES:
            found.add(node.signal)
        elif isinstance(node, Ref):
            found.add(node.cell)
    return found
