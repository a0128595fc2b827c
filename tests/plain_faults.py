"""What each stuck fault leads to, counted run by run in plain Python.

Shares with the fault table nothing but the lowered controller and parts: every input is chosen in every
tick, every value is kept, a stuck fault may begin in any tick whatever it changes, and the longest time is
a longest path. Needs a small machine.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial

from python_search import leaves
from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.evaluate import BlockCompiler, Layout, Values, answer_from_cells
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import Assign, Cell, Complement, NoteKind, Observation, Ref, Scope
from stillgate.interlocks.loop.interpreter import Chooser
from stillgate.sim_io.faults.fault_list import Fault, FaultKind, faults_of
from stillgate.sim_io.parts.plant import lower_plant

State = tuple[int, ...]
Ticking = tuple[bool, State]
"""Whether the machine works in a tick, and the situation after it."""

Graph = dict[State, set[Ticking]]


@dataclass(frozen=True)
class Told:
    """``longest``: time from the fault's beginning until the machine stands for good, None if it need not."""

    longest: Milliseconds | None
    restless: bool  # it stops and works again for ever


@dataclass
class PlainMachine:
    """Steps a machine under a stuck fault."""

    machine: Machine
    chooser: Chooser | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        machine = self.machine
        self.scan = machine.scan
        self.program = lower_controller(machine)
        self.plant = lower_plant(machine, machine.scan)
        hazards = [name for name, item in machine.outputs.items() if item.hazard is not None]
        self.hazards = hazards or list(machine.outputs)
        self.circuits = {
            name: Cell(f"{name}.circuit", 0, 1, 0, Scope.PART, persistent=False) for name in machine.inputs
        }
        self.kept = (*self.program.cells, *self.plant.cells)
        self.layout = Layout((*self.kept, *self.circuits.values(), *self.plant.driven.values()))
        compiler = BlockCompiler(self.layout, machine.scan, self)
        self.begin = compiler.block(self.plant.begin)
        self.sensed = compiler.block(
            tuple(Assign(self.circuits[name], term) for name, term in self.plant.circuits.items())
        )
        pins = tuple(
            Assign(item.pin, Complement(Ref(self.circuits[item.name])) if item.active_low
                   else Ref(self.circuits[item.name]))
            for item in self.program.signals
        )  # fmt: skip
        senses = tuple(statement for item in self.program.signals for statement in item.sense)
        self.control = compiler.block((*pins, *senses, *self.program.observe, *self.program.decide))
        self.conditions = compiler.block(self.plant.conditions)
        self.moves = compiler.block(self.plant.moves)
        self.answers = {item.name: answer_from_cells(item, self.layout) for item in self.program.signals}

    # -- host --------------------------------------------------------------------------------

    def choose(self, cell: Cell, count: int) -> int:
        assert self.chooser is not None
        return self.chooser(cell.name, count)

    def read(self, values: Values, signal: str, observation: Observation, ticks: Ticks) -> int:
        return self.answers[signal](values, observation, ticks)

    def note(self, kind: NoteKind, index: int) -> None:
        """Nothing is noted."""

    # -- runs --------------------------------------------------------------------------------

    def starts(self) -> set[State]:
        def start(chooser: Chooser) -> State:
            self.chooser = chooser
            values = self.layout.start_values()
            self.begin(values)
            return self._key(values)

        return set(leaves(start))

    def following(self, state: State, fault: Fault | None) -> set[Ticking]:
        """Every tick that a situation may be followed by, the fault being there."""
        return set(leaves(partial(self._tick, state, fault)))

    def _key(self, values: Values) -> State:
        return tuple(values[self.layout.slot(cell)] for cell in self.kept)

    def _tick(self, state: State, fault: Fault | None, chooser: Chooser) -> Ticking:
        self.chooser = chooser
        layout, kind = self.layout, None if fault is None else fault.kind
        subject = "" if fault is None else fault.subject
        values = layout.start_values()
        for cell, value in zip(self.kept, state, strict=True):
            values[layout.slot(cell)] = value
        self.sensed(values)
        for name, cell in self.circuits.items():
            if name not in self.plant.circuits:
                values[layout.slot(cell)] = chooser(name, 2)
            if name == subject and kind in (FaultKind.INPUT_ON, FaultKind.INPUT_OFF):
                values[layout.slot(cell)] = int(kind is FaultKind.INPUT_ON)
        self.control(values)
        works = False
        for output in self.program.outputs:
            on = values[layout.slot(output.asked)]
            if output.name == subject and kind in (FaultKind.OUTPUT_ON, FaultKind.OUTPUT_OFF):
                on = int(kind is FaultKind.OUTPUT_ON)
                works |= bool(on) and output.name in self.hazards and kind is not FaultKind.OUTPUT_ON
            else:
                works |= bool(on) and output.name in self.hazards
            values[layout.slot(self.plant.driven[output.name])] = on
        self.conditions(values)
        self.moves(values)
        return works, self._key(values)


def reachable(plain: PlainMachine, first: set[State], fault: Fault | None, limit: int) -> Graph:
    """The ticks that follow every situation reached from the first ones."""
    found: Graph = {}
    waiting = list(first)
    while waiting:
        state = waiting.pop()
        if state in found:
            continue
        found[state] = plain.following(state, fault)
        if len(found) > limit:
            raise OverflowError
        waiting += [to for _, to in found[state]]
    return found


def faults_told(machine: Machine, limit: int = 400) -> dict[str, Told]:
    """What each stuck fault leads to, by its name.

    Raises:
        OverflowError: if more than ``limit`` situations are reached without a fault, or with one.
    """
    plain = PlainMachine(machine)
    healthy = reachable(plain, plain.starts(), None, limit)
    found: dict[str, Told] = {}
    for fault in faults_of(machine):
        if fault.kind is FaultKind.POWER:
            continue
        begun = {ticking for state in healthy for ticking in plain.following(state, fault)}
        graph = reachable(plain, {to for _, to in begun}, fault, limit)
        found[fault.name] = _told(graph, begun, plain.scan)
    return found


def _told(graph: Graph, begun: set[Ticking], scan: Milliseconds) -> Told:
    may_work = _may_work(graph)
    longest = _longest(graph, may_work)
    ends = longest is not None
    most = 0
    for works, to in begun:
        more = longest[to] if longest is not None else 0
        most = max(most, more + 1 if more else int(works))
    return Told(most * scan if ends else None, _restless(graph))


def _may_work(graph: Graph) -> set[State]:
    """Situations from which some run still works."""
    found: set[State] = set()
    while True:
        more = {
            state for state, ticks in graph.items()
            if state not in found and any(works or to in found for works, to in ticks)
        }  # fmt: skip
        if not more:
            return found
        found |= more


def _longest(graph: Graph, may_work: set[State]) -> dict[State, int] | None:
    """Ticks until the machine stands for good, by situation; None if some run never comes to that.

    Layer by layer: a situation has its time once every situation after it has one.
    """
    known = {state: 0 for state in graph if state not in may_work}
    while len(known) < len(graph):
        layer = {
            state: 1 + max(known[to] for _, to in graph[state])
            for state in may_work
            if state not in known and all(to in known for _, to in graph[state])
        }
        if not layer:
            return None
        known |= layer
    return known


def _restless(graph: Graph) -> bool:
    """Whether a circle holds a tick in which the machine works and one in which it does not."""
    after = {state: _after(graph, state) for state in graph}
    together = [
        (works, state, to) for state, ticks in graph.items() for works, to in ticks if state in after[to]
    ]
    return any(
        second in after[first]
        for works, first, to in together if works
        for rests, second, _ in together if not rests and first in after[second]
    )  # fmt: skip


def _after(graph: Graph, state: State) -> set[State]:
    """A situation and all that can come after it."""
    found, waiting = {state}, [state]
    while waiting:
        new: Iterator[State] = (to for _, to in graph[waiting.pop()] if to not in found)
        for to in new:
            found.add(to)
            waiting.append(to)
    return found
