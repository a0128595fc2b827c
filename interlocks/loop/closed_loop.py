"""The closed loop: controller, parts, operator, faults and monitors as one program.

One step is one tick::

    what the last tick left, where a monitor asks for it  before
    circuits (parts' switches)                            before
    a fault may begin · power may fail or return · pins   before
    sense · observe · decide                              the controller, as deployed
    an output fault may begin                             after
    at power-on: what drove the parts before it           after
    outputs as driven                                     after
    what drives the parts                                 after
    monitors read this instant                            after
    beliefs of free inputs close, dead values are dropped settle
    parts move                                            moves

The controller's own statements stand between ``before`` and ``after`` and are not copied,
so the C that is explored is the file that is deployed.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property

from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.clocks import Clock
from stillgate.controller.program.controller_program import ControllerProgram, Signal
from stillgate.controller.program.footprint import cells_read
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Assign,
    Block,
    Cell,
    Choose,
    Complement,
    Observation,
    Read,
    Ref,
    Scope,
    Statement,
    Term,
    terms_in,
    ticks_up,
)
from stillgate.sim_io.faults.fault_list import Fault, FaultKind
from stillgate.sim_io.parts.plant import Plant, lower_plant

from ..requirements.monitors import Monitors, is_judged, lower_monitors
from .fault_injection import FaultSteps
from .free_inputs import Histories, History, Query
from .live_variables import kill_edge_memory, liveness


@dataclass(frozen=True, slots=True)
class FreeInput:
    """An input that nothing drives, answered on demand from its history.

    ``live`` says when its memory may be read in the next scan; where it is not, ``belief``
    becomes the forgotten one.
    """

    signal: Signal
    history: History
    belief: Cell
    stuck_on: int  # fault numbers, 0 if excluded
    stuck_off: int
    live: Term


@dataclass(frozen=True)
class ClosedLoop:
    """A machine with everything around it, at one tick.

    ``monitors`` has those requirements only that are judged in such a loop; ``circuits`` holds the cell of
    the healthy circuit of every input that is not free.
    """

    machine: Machine
    tick: Milliseconds
    budget: int
    controller: ControllerProgram
    plant: Plant
    monitors: Monitors
    faults: tuple[Fault, ...]
    fault: Cell
    second: Cell  # the greater number of two faults; 0 until the second has begun
    dark: Cell
    begin: Block
    before: Block
    after: Block
    settle: Block
    free: tuple[FreeInput, ...]
    sensed: tuple[Signal, ...]  # signals whose own memory is run, not a history
    circuits: dict[str, Cell]

    @property
    def moves(self) -> Block:
        """Motion of the parts."""
        return self.plant.moves

    @property
    def clocks(self) -> tuple[Clock, ...]:
        """Every cell that measures time: of the controller, the monitors, the parts.

        Those of free inputs are not stored: their values are in the beliefs.
        """
        return (*self.controller.clocks, *self.monitors.clocks, *self.plant.clocks)

    @cached_property
    def key_cells(self) -> tuple[Cell, ...]:
        """Cells that make up a stored state, the parts' cells last."""
        found: list[Cell] = [cell for signal in self.sensed for cell in signal.memory]
        found += [observer.run for observer in self.controller.observers]
        for sequence in self.controller.sequences:
            found.append(sequence.active)
            if sequence.elapsed is not None:
                found.append(sequence.elapsed)
        found += self.controller.memory
        read = cells_read((*self.controller.observe, *self.controller.decide))
        found += [output.asked for output in self.controller.outputs if output.asked in read]
        found += [item.belief for item in self.free]
        found += self.monitors.cells
        if self.budget:
            found += [self.fault, self.dark]
        if self.budget > 1:
            found.append(self.second)
        found += self.plant.cells
        return tuple(cell for cell in found if cell.low != cell.high)

    @property
    def requirement_names(self) -> tuple[str, ...]:
        """What each BROKEN index stands for: counters, exits that overlap, then requirements."""
        counters = tuple(self.controller.memory[cell] for cell, _ in self.controller.bounds_marks)
        marks = self.controller.exit_marks
        overlaps = tuple(f"{marks[i]} | {marks[j]}" for i, j in self.controller.overlap_marks)
        return (*counters, *overlaps, *self.monitors.broken)


def close_loop(
    machine: Machine,
    *,
    tick: Milliseconds,
    faults: int,
    exact: bool = False,
    lazy: bool = True,
    possibility: bool = True,
    canonical: bool = True,
    overlaps: bool = False,
    unseen: bool = False,
    eager: Collection[str] = (),
    controller: ControllerProgram | None = None,
) -> ClosedLoop:
    """Links a machine's closed loop.

    Args:
        tick: period of the step in ms; the scan itself or longer.
        faults: fault budget, 0 to 2. Of two faults each may begin at any tick, both at the same too.
        exact: keep one memory value per free input (possibility requirements need it).
        lazy: ask free inputs on demand; otherwise every level is chosen in every tick.
        possibility: include the goals of possibility requirements.
        canonical: drop dead values.
        overlaps: note two exits of a state that are true at once.
        unseen: stuck faults may also begin where they change nothing yet, for times from their beginning.
        eager: inputs whose level is chosen in every tick, whatever the others do.
        controller: another controller of the machine, lowered for this tick, in place of its own.
    """
    own = lower_controller(machine, period=tick, overlaps=overlaps) if controller is None else controller
    return _Linker(machine, tick, FaultSteps(machine, faults, own, unseen=unseen), own).link(
        exact=exact, lazy=lazy, possibility=possibility, canonical=canonical, eager=eager
    )


class _Linker:
    def __init__(
        self, machine: Machine, tick: Milliseconds, faults: FaultSteps, controller: ControllerProgram
    ) -> None:
        self.machine = machine
        self.tick = tick
        self.budget = faults.budget
        self.controller = controller
        self.plant = lower_plant(machine, tick)
        self.faults = faults

    def link(
        self, *, exact: bool, lazy: bool, possibility: bool, canonical: bool, eager: Collection[str]
    ) -> ClosedLoop:
        free_signals = [
            signal
            for signal in self.controller.signals
            if lazy and signal.name not in self.plant.circuits and signal.name not in eager
        ]
        free_names = {signal.name for signal in free_signals}
        circuits = {
            signal.name: circuit_cell(signal.name)
            for signal in self.controller.signals
            if signal.name not in free_names
        }
        monitors = lower_monitors(
            self.machine,
            self.controller,
            self.plant,
            circuits,
            self.tick,
            triggers=not self.budget,
            judged=[
                name
                for name, item in self.machine.requirements.items()
                if is_judged(item, self.budget, possibility=possibility)
            ],
            early=True,
        )
        goals = tuple(Assign(goal_cell(i), term) for i, (_, term) in enumerate(monitors.goals))
        after = (
            *self.faults.outputs_begin(self.plant.undecided),
            *self._power_on(),
            *self._drive(),
            *self.plant.conditions,
            *monitors.block,
            *goals,
        )
        live = liveness(self.controller, after)
        sensed = tuple(signal for signal in self.controller.signals if signal.name not in free_names)
        settle: Block = ()
        if canonical:
            forget = kill_edge_memory(self.controller, live.edge_live, (signal.name for signal in sensed))
            settle = (*live.settle, *forget)
        edge_live = live.edge_live if canonical else {}
        asked = self._asked(after)
        histories = Histories(self.tick, exact=exact)
        free = tuple(
            self._free(
                signal,
                histories.of(signal, asked.get(signal.name, {})),
                edge_live.get(signal.name, TRUE),
            )
            for signal in free_signals
        )
        return ClosedLoop(
            machine=self.machine,
            tick=self.tick,
            budget=self.budget,
            controller=self.controller,
            plant=self.plant,
            monitors=monitors,
            faults=self.faults.faults,
            fault=self.faults.fault,
            second=self.faults.second,
            dark=self.faults.dark,
            begin=self.plant.places,
            before=(
                *monitors.early,
                *self._circuits(circuits),
                *self.faults.inputs_begin({name: circuits[name] for name in self.plant.circuits}),
                *self._pins(circuits),
            ),
            after=after,
            settle=settle,
            free=free,
            sensed=sensed,
            circuits=circuits,
        )

    def _asked(self, after: Block) -> dict[str, dict[Query, None]]:
        """What is asked of each signal, in the order of the controller and what follows it."""
        asked: dict[str, dict[Query, None]] = {}
        for term in terms_in((*self.controller.observe, *self.controller.decide, *after)):
            if isinstance(term, Read):
                ticks = ticks_up(term.milliseconds, self.tick) if term.observation is Observation.HELD else 0
                asked.setdefault(term.signal, {})[term.observation, ticks] = None
        return asked

    def _free(self, signal: Signal, history: History, live: Term) -> FreeInput:
        belief = Cell(f"{signal.name}.belief", 0, len(history.beliefs) - 1, history.start, Scope.MONITOR)
        return FreeInput(
            signal=signal,
            history=history,
            belief=belief,
            stuck_on=self.faults.number(FaultKind.INPUT_ON, signal.name),
            stuck_off=self.faults.number(FaultKind.INPUT_OFF, signal.name),
            live=live if history.forgotten is not None else TRUE,
        )

    def _circuits(self, circuits: dict[str, Cell]) -> Block:
        block: list[Statement] = []
        for name, cell in circuits.items():
            healthy = self.plant.circuits.get(name)
            block.append(Choose(cell, 2) if healthy is None else Assign(cell, healthy))
        return tuple(block)

    def _pins(self, circuits: dict[str, Cell]) -> Block:
        block: list[Statement] = []
        for signal in self.controller.signals:
            cell = circuits.get(signal.name)
            if cell is None:
                continue
            conducts = self.faults.stuck(
                Ref(cell),
                self.faults.number(FaultKind.INPUT_ON, signal.name),
                self.faults.number(FaultKind.INPUT_OFF, signal.name),
            )
            block.append(Assign(signal.pin, Complement(conducts) if signal.active_low else conducts))
        return tuple(block)

    def _power_on(self) -> Block:
        """What was before the first scan, where a part asks: outputs off, unless stuck already."""
        return self.plant.power_on(
            {output.name: self._driven(output.name, FALSE) for output in self.controller.outputs}
        )

    def _drive(self) -> Block:
        return tuple(
            Assign(self.plant.driven[output.name], self._driven(output.name, Ref(output.asked)))
            for output in self.controller.outputs
        )

    def _driven(self, output: str, asked: Term) -> Term:
        """What an output does where ``asked`` is what is asked of it."""
        return self.faults.stuck(
            asked,
            self.faults.number(FaultKind.OUTPUT_ON, output),
            self.faults.number(FaultKind.OUTPUT_OFF, output),
        )


def goal_cell(index: int) -> Cell:
    """Whether a possibility requirement's goal is true in this instant."""
    return Cell(f"goal{index}", 0, 1, 0, Scope.MONITOR, persistent=False)


def circuit_cell(name: str) -> Cell:
    """Whether the healthy circuit of an input conducts, where that is not asked of a history."""
    return Cell(f"{name}.circuit", 0, 1, 0, Scope.PART, persistent=False)
