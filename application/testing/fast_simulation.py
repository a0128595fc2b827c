"""A machine run fast in Python: the lowered controller, parts, switches and monitors on one list of cells.

The same run as ``Simulation`` with a ``RequirementWatch``, draw for draw, ten times as fast
and started anew in microseconds, which is what a search by many short runs needs. It runs the
lowered program where the simulation steps the executive, so one can be held against the other:
a break found here is replayed there before anybody is told of it.

Not modelled: anything between two scans; reasons (ask the simulation).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from stillgate.controller.errors import UsageError
from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.evaluate import Layout, Values, answer_from_cells
from stillgate.controller.program.evaluate_fast import FastCompiler
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import (
    Assign,
    Cell,
    Constant,
    NoteKind,
    Observation,
    Operation,
    Read,
    Ref,
    ticks_up,
)
from stillgate.interlocks.requirements.monitors import lower_monitors
from stillgate.interlocks.simulated_runs.requirement_watch import watched
from stillgate.sim_io.faults.disturbances import Disturbance, contradict
from stillgate.sim_io.simulation.environment import surround
from stillgate.sim_io.simulation.seeded_choices import SeededChoices, one_name_a_choice


@dataclass
class _Host:
    """Answers what the blocks of a run ask; ``seeded_choices`` are those of the present run."""

    choices: SeededChoices | None = None
    answers: dict[str, object] = field(default_factory=dict)
    noted: list[int] = field(default_factory=list)
    covered: set[int] = field(default_factory=set)

    def choose(self, cell: Cell, count: int) -> int:
        assert self.choices is not None
        return self.choices.choose(cell, count)

    def read(self, values: Values, signal: str, observation: Observation, ticks: Ticks) -> int:
        answer = self.answers[signal]
        assert callable(answer)
        return int(answer(values, observation, ticks))

    def note(self, kind: NoteKind, index: int) -> None:
        if kind is NoteKind.BROKEN:
            self.noted.append(index)
        else:
            self.covered.add(index)


class _Lowered:
    """Closures of a machine that may suffer some disturbances."""

    def __init__(
        self, machine: Machine, requirements: Iterable[str] | None, known: tuple[Disturbance, ...]
    ) -> None:
        self.host = host = _Host()
        self.program = program = lower_controller(machine)
        around = surround(machine, program, disturbances=known)
        switches, plant = around.switches, around.plant
        self.layout = layout = Layout(program.cells)
        compiler = FastCompiler(layout, machine.scan, host, program.signals)
        host.answers = {signal.name: answer_from_cells(signal, layout) for signal in program.signals}
        slot = layout.slot
        sensing = tuple(statement for signal in program.signals for statement in signal.sense)
        for signal in program.signals:
            slot(signal.pin)
        self.scan = compiler.block((*sensing, *program.observe, *program.decide))
        self.own = [(slot(cell), cell.start) for cell in layout.cells]
        self.active = [(item, slot(item.active)) for item in program.sequences]
        self.active_of = {item.name: (item, number) for item, number in self.active}
        self.memory = [(name, slot(cell)) for cell, name in program.memory.items()]
        for cell in around.cells:
            slot(cell)
        named = one_name_a_choice(
            around.begin, switches.before, switches.after, plant.moves, events=plant.events
        )
        begin, before, after, moves = named.blocks
        self.events = named.events
        self.begin = compiler.block(begin)
        self.sense = compiler.block(around.sense)
        self.before = compiler.block(before)
        self.after = compiler.block(after)
        self.conditions = compiler.block(plant.conditions)
        self.moves = compiler.block(moves)
        self.wire = compiler.block(
            tuple(
                Assign(
                    item.pin,
                    Operation(Operator.XOR, switches.wired[item.name], Constant(int(item.active_low))),
                )
                for item in program.signals
            )
        )
        monitors = lower_monitors(
            machine,
            program,
            plant,
            around.circuits,
            machine.scan,
            triggers=False,
            judged=watched(machine, requirements),
        )
        self.judge = compiler.block(monitors.block)
        for cell in monitors.cells:
            slot(cell)
        bounds = tuple(f"{program.memory[cell]} in its bounds" for cell, _ in program.bounds_marks)
        assert monitors.first_index == len(bounds)
        self.broken_names = (*bounds, *monitors.broken)
        self.free = {name: slot(around.circuits[name]) for name in around.free}
        self.circuits = {name: slot(cell) for name, cell in around.circuits.items()}
        self.driven = {name: slot(cell) for name, cell in plant.driven.items()}
        self.present = {item: slot(cell) for item, cell in switches.present.items()}
        self.cut, self.lost, self.late = slot(switches.cut), slot(switches.lost), slot(switches.late)
        self.parts = [(part, [(cell, slot(cell)) for cell in part.cells]) for part in plant.parts]


class LoweredMachine:
    """A machine to run many times.

    Args:
        machine: the machine.
        requirements: names of those to judge; None for all that one run can break.
    """

    def __init__(self, machine: Machine, requirements: Iterable[str] | None = None) -> None:
        self.machine = machine
        self._requirements = None if requirements is None else tuple(requirements)
        self._lowered: dict[tuple[Disturbance, ...], _Lowered] = {}
        self.program = self.lowered(()).program

    def lowered(self, known: tuple[Disturbance, ...]) -> _Lowered:
        """The closures for some disturbances, made once."""
        if known not in self._lowered:
            self._lowered[known] = _Lowered(self.machine, self._requirements, known)
        return self._lowered[known]

    def run(
        self,
        seed: int = 0,
        disturbances: Iterable[Disturbance] = (),
        *,
        expected: Iterable[Disturbance] = (),
    ) -> LoweredRun:
        """A run from power-on.

        Args:
            seed: of what parts and switches leave open.
            disturbances: those that are there from the start.
            expected: those that may come later; those that are not expected may come too, but
                closures are made for them then.
        """
        present = tuple(dict.fromkeys(disturbances))
        known = tuple(dict.fromkeys((*expected, *present)))
        return LoweredRun(self, seed, known, present)


class LoweredRun:
    """One run.

    Attributes:
        scan: number of the scan that comes next.
        broken: every break so far, the first of a row of broken scans: (time, requirement).
        covered: indices of the exits taken so far.
    """

    def __init__(
        self,
        machine: LoweredMachine,
        seed: int,
        known: tuple[Disturbance, ...],
        present: tuple[Disturbance, ...],
    ) -> None:
        self._machine, self._seed, self._known = machine, seed, known
        self.period = machine.machine.scan
        self.scan = 0
        self.broken: list[tuple[Milliseconds, str]] = []
        self.covered: set[int] = set()
        self._last: set[str] = set()
        self._dark = False
        self._code = machine.lowered(known)
        self._values = self._code.layout.start_values()
        self._take_choices()
        self._code.begin(self._values)
        for item in present:
            self._values[self._code.present[item]] = 1

    def _take_choices(self) -> None:
        self._choices = SeededChoices(self._seed, self._code.layout, self.period, self._code.events)
        self._choices.values = self._values
        self._code.host.choices = self._choices

    # -- what can be asked -------------------------------------------------------------------

    @property
    def time(self) -> Milliseconds:
        """Time of the scan that comes next."""
        return self.scan * self.period

    @property
    def states(self) -> Mapping[str, str | None]:
        """The active state of every sequence; None without power."""
        return {
            item.name: item.states[number] if (number := self._values[slot]) < len(item.states) else None
            for item, slot in self._code.active
        }

    def state_of(self, sequence: str) -> str | None:
        """The active state of a sequence; None without power."""
        item, slot = self._code.active_of[sequence]
        number = self._values[slot]
        return item.states[number] if number < len(item.states) else None

    def circuit_of(self, name: str) -> bool:
        """The healthy circuit of an input."""
        return bool(self._values[self._code.circuits[name]])

    @property
    def outputs(self) -> Mapping[str, bool]:
        """Outputs as physically driven."""
        return {name: bool(self._values[slot]) for name, slot in self._code.driven.items()}

    @property
    def circuits(self) -> Mapping[str, bool]:
        """The healthy circuit of every input."""
        return {name: bool(self._values[slot]) for name, slot in self._code.circuits.items()}

    @property
    def sensed(self) -> Mapping[str, bool]:
        """The healthy circuit of every input that a part gives."""
        free = self._code.free
        return {
            name: bool(self._values[slot]) for name, slot in self._code.circuits.items() if name not in free
        }

    @property
    def memory(self) -> Mapping[str, int]:
        """Every bit and counter."""
        return {name: self._values[slot] for name, slot in self._code.memory}

    @property
    def parts(self) -> Mapping[str, str]:
        """Where every part stands, in words."""
        return {
            part.name: part.describe({cell: self._values[slot] for cell, slot in slots})
            for part, slots in self._code.parts
        }

    @property
    def powered(self) -> bool:
        """Whether the controller had power in the last scan."""
        return not self._dark

    def known(self, term: Ref | Read) -> int | None:
        """Value of a cell or of the controller's view of an input; None if somebody may choose it."""
        if isinstance(term, Ref):
            return self._values[self._code.layout.slot(term.cell)]
        if term.signal in self._code.free:
            return None
        ticks = ticks_up(term.milliseconds, self.period)
        return self._code.host.read(self._values, term.signal, term.observation, ticks)

    # -- what can be done --------------------------------------------------------------------

    def set_input(self, name: str, conducts: bool) -> None:
        """Sets the circuit of a free input from the next scan on.

        Raises:
            UsageError: if there is no such input, or a part moves its switch.
        """
        if name not in self._code.free:
            wrong = "is moved by a part" if name in self._code.circuits else "is no input"
            raise UsageError(f"{name} {wrong} and cannot be set; set one of {', '.join(self._code.free)}")
        self._values[self._code.free[name]] = int(conducts)

    def against(self, disturbance: Disturbance) -> Disturbance | None:
        """A disturbance that is there and cannot be together with this one; None if there is none."""
        there = (item for item, slot in self._code.present.items() if self._values[slot])
        return next((item for item in there if contradict(disturbance, item)), None)

    def inject(self, disturbance: Disturbance) -> None:
        """Lets a disturbance begin with the next scan.

        Raises:
            UsageError: if it contradicts one that is there.
        """
        other = self.against(disturbance)
        if other is not None:
            raise UsageError(f"'{disturbance}' and '{other}' cannot be there together")
        if disturbance not in self._code.present:
            self._known = (*self._known, disturbance)
            old, cells = self._values, self._code.layout.cells
            self._code = self._machine.lowered(self._known)
            self._values = self._code.layout.start_values()
            for number, cell in enumerate(cells):
                if self._code.layout.has(cell):
                    self._values[self._code.layout.slot(cell)] = old[number]
            self._take_choices()
        self._values[self._code.present[disturbance]] = 1

    def clear(self, disturbance: Disturbance) -> None:
        """Lets a disturbance end with the next scan."""
        if disturbance in self._code.present:
            self._values[self._code.present[disturbance]] = 0

    def power(self, *, on: bool) -> None:
        """Switches power off or on from the next scan on."""
        self._values[self._code.cut] = int(not on)

    def step(self) -> None:
        """One scan and the motion of the parts after it."""
        code, values, host = self._code, self._values, self._code.host
        host.choices, host.noted, host.covered = self._choices, [], self.covered
        self._choices.scan = self.scan
        code.sense(values)
        code.before(values)
        lost = bool(values[code.lost])
        if lost != self._dark:
            self._dark = lost
            self._restart(lost=lost)
        if not lost and not values[code.late]:
            code.wire(values)
            code.scan(values)
        code.after(values)
        code.conditions(values)
        code.judge(values)
        if host.noted or self._last:
            now = {code.broken_names[index] for index in host.noted}
            self.broken += [(self.time, name) for name in sorted(now - self._last)]
            self._last = now
        code.moves(values)
        self.scan += 1

    def _restart(self, *, lost: bool) -> None:
        for slot, start in self._code.own:
            self._values[slot] = start
        if lost:
            for item, slot in self._code.active:
                self._values[slot] = len(item.states)
