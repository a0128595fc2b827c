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

from collections.abc import Callable, Iterable
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
    edge_live: dict[str, Term] = {}
    for signal in controller.signals:
        if signal.run is not None and signal.run.high == 1:
            live = _edge_readers(controller, lambda term, name=signal.name: _asks_edge(term, name))  # type: ignore[misc]
            edge_live[signal.name] = live
    for observer in controller.observers:
        if observer.run.high == 1:
            live = _edge_readers(controller, lambda term, cell=observer.was: term == Ref(cell))  # type: ignore[misc]
            settle += _kill_unless(live, observer.run)
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
    found: list[If] = []
    for cell in controller.memory:
        readers = [one for one in controller.sequences if any(cell in read_by_exit(it) for it in _items(one))]
        writers = [
            one for one in controller.sequences if any(cell in written_by_exit(it) for it in _items(one))
        ]
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


def _asks_edge(term: Term, name: str) -> bool:
    return isinstance(term, Read) and term.signal == name and term.observation in _EDGES


def _edge_readers(controller: ControllerProgram, asks: Callable[[Term], bool]) -> Term:
    """When the next scan may ask: in which active states, or always."""

    def mentions(term: Term) -> bool:
        return any(asks(node) for node in walk_term(term))

    def item_asks(item: ExitProgram) -> bool:
        return any(mentions(term) for term in terms_of_exit(item))

    if any(mentions(permit) for output in controller.outputs for _, permit in output.permits):
        return TRUE
    readers: list[Term] = []
    for sequence in controller.sequences:
        if any(item_asks(item) for item in sequence.overrides):
            return TRUE
        live = tuple(int(any(item_asks(item) for item in items)) for items in sequence.exits)
        if any(live):
            off = live[sequence.start]  # without power; the first scan with it looks at the start's exits
            readers.append(Lookup((*live, off), Ref(sequence.active)))
    return disjunction(tuple(readers))
