"""The reference controller: what a machine file means, one scan at a time, in steps to read.

It walks signals, sequences, exits and permits itself and never runs the lowered ``decide``
block, so that agreeing with it says something about the C that is deployed. It is slow
(some thousand scans a second) and holds all the answers::

    gate = Executive(machine)
    gate.inputs["stop_ok"] = True
    gate.inputs["open_button"] = True
    gate.scan()
    gate.states["gate"], gate.outputs["motor_open"]
    print(gate.why("motor_open"))

Time: scan number n (from 0) happens at n periods, power on or off. Order of one scan:
sample and debounce every input; update what rising, falling and held remember; look for
ways out, every guard on the values just sensed and on the states, memory and outputs the
last scan left; move states and memory together; demands of the states now active;
interlocks; write.

Not modelled here: anything outside the controller. Inputs are what their setter makes them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from ..errors import UsageError
from ..machine_file.field_types import Milliseconds
from ..machine_file.machine import Machine
from ..program.controller_program import ControllerProgram, ExitProgram, Observer, SequenceProgram
from ..program.evaluate import BlockCompiler, Layout, Values, answer_from_cells
from ..program.lowering import lower_controller
from ..program.program import Cell, ticks_up
from .clauses import ClauseBuilder, Moment
from .history import Snapshot, ValueHistory
from .reasons import ExitReason, Permit, Reason, Supply
from .stepper import SequenceStepper
from .terminals import Inputs, Terminals, unknown
from .written_conditions import WrittenConditions

EntryCallback = Callable[["Executive"], None]
"""Called with the executive after the scan that entered a state has written its outputs."""


class Executive:
    """A running controller.

    Starts with power on, before its first scan.

    Attributes:
        inputs: whether each input's circuit conducts, to be set between scans. A name is true
            while its circuit conducts, whatever the level at the pin.
        taken: exits the last scan took, as ``gate: opening, exit 1 to waiting``.
        left_bounds: counters that the last scan was asked to move out of their bounds; they
            kept their values.

    Args:
        machine: a machine, or its controller's program. The words of interlocks ('why') are
            known from a machine only.
    """

    def __init__(self, machine: Machine | ControllerProgram) -> None:
        if isinstance(machine, Machine):
            self.program = lower_controller(machine)
            self._whys: tuple[str, ...] = tuple(item.why for item in machine.interlocks)
        else:
            self.program = machine
            self._whys = ()
        program = self.program
        self.inputs = Inputs(tuple(signal.name for signal in program.signals))
        self.taken: tuple[str, ...] = ()
        self.left_bounds: tuple[str, ...] = ()
        self._layout = Layout(program.cells)
        self._answers = {signal.name: answer_from_cells(signal, self._layout) for signal in program.signals}
        self._compiler = BlockCompiler(self._layout, program.period, Terminals(self._answers))
        self._senses = [(item, self._compiler.block(item.sense)) for item in program.signals]
        self._observers = [(item, self._compiler.term(item.argument)) for item in program.observers]
        self._steppers = {item.name: SequenceStepper(item, self._compiler) for item in program.sequences}
        self._actions = {
            item.mark: tuple((cell, self._compiler.term(value)) for cell, value in item.actions)
            for sequence in program.sequences
            for item in _every_exit(sequence)
        }
        self._outputs = [
            (item, tuple(self._compiler.term(term) for _, term in item.permits)) for item in program.outputs
        ]
        for cell in _scan_cells(program):
            self._layout.slot(cell)
        self._conditions = WrittenConditions(machine if isinstance(machine, Machine) else None)
        self._clauses = ClauseBuilder(program, self._compiler, self._conditions)
        self._callbacks: dict[tuple[str, str], list[EntryCallback]] = {}
        self._values: Values = self._layout.start_values()
        self._history = ValueHistory(self._layout, [item.active for item in program.sequences])
        self._scans = 0
        self._scanned = False
        self.power_on()

    # -- what can be read --------------------------------------------------------------------

    @property
    def time_ms(self) -> Milliseconds:
        """Time of the last scan; the first is at 0."""
        return max(0, self._scans - 1) * self.program.period

    @property
    def scans(self) -> int:
        """Scan periods that have passed, those without power included."""
        return self._scans

    @property
    def powered(self) -> bool:
        """Whether power is on."""
        return all(stepper.state is not None for stepper in self._steppers.values())

    @property
    def states(self) -> Mapping[str, str | None]:
        """The active state of every sequence; None while power is off."""
        return {name: stepper.state for name, stepper in self._steppers.items()}

    @property
    def outputs(self) -> Mapping[str, bool]:
        """What the controller asks of every output."""
        return {item.name: self._truth(item.asked) for item in self.program.outputs}

    @property
    def memory(self) -> Mapping[str, int]:
        """Every bit (a bool) and counter (an int)."""
        counters = {cell for cell, _ in self.program.bounds_marks}
        found: dict[str, int] = {}
        for cell, name in self.program.memory.items():
            value = self._value(cell)
            found[name] = value if cell in counters else bool(value)
        return found

    @property
    def seen(self) -> Mapping[str, bool]:
        """The debounced level of every input, as the last scan saw it."""
        return {signal.name: self._truth(signal.level) for signal in self.program.signals}

    @property
    def levels(self) -> Mapping[str, bool]:
        """Electrical level of every output terminal (``active: low`` inverts)."""
        return {item.name: self._truth(item.asked) ^ item.active_low for item in self.program.outputs}

    def value(self, cell: Cell) -> int:
        """Value of one of ``program.cells``."""
        return self._value(cell)

    def _value(self, cell: Cell) -> int:
        return self._values[self._layout.slot(cell)]

    def _truth(self, cell: Cell) -> bool:
        return self._value(cell) != 0

    # -- running -----------------------------------------------------------------------------

    def scan(self) -> None:
        """One scan on ``inputs``; without power only time passes."""
        now = self._scans * self.program.period
        self._scans += 1
        self.taken = self.left_bounds = ()
        if not self.powered:
            return
        before = list(self._values)
        self._sense(self._values)
        entered = self._decide(self._values)
        self._history.note(before, self._values, now)
        self._scanned = True
        self._call_entered(entered)

    def power_off(self) -> None:
        """Interrupts power: no state is active, outputs are off, memory is lost."""
        for stepper in self._steppers.values():
            stepper.power_off()
        self._begin()

    def power_on(self) -> None:
        """A cold start: start states, start values, nothing remembered; no scan yet."""
        for stepper in self._steppers.values():
            stepper.power_on()
        self._begin()
        self._call_entered(list(self._steppers.values()))

    def on_entry(self, sequence: str, state: str, callback: EntryCallback) -> None:
        """Calls ``callback(executive)`` after every scan, or cold start, that enters the state.

        Raises:
            UsageError: if there is no such sequence or state.
        """
        self._stepper(sequence).number_of(state)
        self._callbacks.setdefault((sequence, state), []).append(callback)

    def snapshot(self) -> Snapshot:
        """All that is remembered, to come back to; ``inputs`` are the surroundings' and not in it."""
        return Snapshot(
            tuple(self._value(cell) for cell in self.program.cells), tuple(self._values),
            self._history.stamps(), self._scans, self._scanned,
        )  # fmt: skip

    def restore(self, snapshot: Snapshot) -> None:
        """Comes back to a snapshot of a controller of the same machine; calls no entry callback."""
        if len(snapshot.values) != len(self._values):
            raise UsageError("the snapshot is of another machine's controller")
        self._values = list(snapshot.values)
        self._history.restore(snapshot.stamps)
        self._scans, self._scanned = snapshot.scans, snapshot.scanned
        self.taken = self.left_bounds = ()
        for stepper in self._steppers.values():
            stepper.place(self._value(stepper.program.active))

    def place(self, states: Mapping[str, str], memory: Mapping[str, int], elapsed: Milliseconds = 0) -> None:
        """Puts the controller into a situation, reachable or not, to ask what happens from there.

        What is not named stays; outputs follow. No callback is called, and since when things
        have been so is not known any more.

        Args:
            states: state of a sequence, by the sequence's name.
            memory: value of a bit or counter, by name.
            elapsed: how long the named states have been active, as the next scan finds it.

        Raises:
            UsageError: without power, for a name that is not there or a value outside its bounds.
        """
        if not self.powered:
            raise UsageError("power is off: no state can be active")
        slot = self._layout.slot
        cells = {name: cell for cell, name in self.program.memory.items()}
        for name, value in memory.items():
            if name not in cells:
                raise unknown("memory", name, cells)
            if not cells[name].low <= value <= cells[name].high:
                raise UsageError(f"'{name}' goes from {cells[name].low} to {cells[name].high}, not {value}")
        placed = [
            (self._stepper(name), self._stepper(name).number_of(state)) for name, state in states.items()
        ]
        for name, value in memory.items():
            self._values[slot(cells[name])] = int(value)
        for stepper, number in placed:
            stepper.place(number)
            self._values[slot(stepper.program.active)] = number
            if stepper.program.elapsed is not None:
                waited = ticks_up(elapsed, self.program.period)
                self._values[slot(stepper.program.elapsed)] = min(waited, max(1, stepper.longest_wait))
        self._write_outputs(self._values)
        self._history.restart(self.time_ms)

    def _begin(self) -> None:
        self._values = self._layout.start_values()
        for stepper in self._steppers.values():
            self._values[self._layout.slot(stepper.program.active)] = stepper.number
        self._history.restart(self._scans * self.program.period)
        self._scanned = False
        self.taken = self.left_bounds = ()

    def _call_entered(self, entered: list[SequenceStepper]) -> None:
        for stepper in entered:
            for callback in self._callbacks.get((stepper.program.name, stepper.state or ""), ()):
                callback(self)

    # -- one scan ----------------------------------------------------------------------------

    def _sense(self, values: Values) -> None:
        """Samples, debounces, and updates what rising, falling and held remember."""
        for signal, sense in self._senses:
            values[self._layout.slot(signal.pin)] = int(self.inputs[signal.name] ^ signal.active_low)
            sense(values)
        for observer, argument in self._observers:
            self._observe(observer, argument(values), values)

    def _observe(self, observer: Observer, now: int, values: Values) -> None:
        slot = self._layout.slot
        run = values[slot(observer.run)]
        values[slot(observer.now)] = now
        values[slot(observer.was)] = int(run > 0)
        values[slot(observer.run)] = min(run + 1, observer.run.high) if now else 0

    def _decide(self, values: Values) -> list[SequenceStepper]:
        """Moves states and memory together, then decides the outputs; returns who entered a state."""
        taken = {name: stepper.scan(values) for name, stepper in self._steppers.items()}
        exits = [item for item in taken.values() if item is not None]
        written = [pair for item in exits for pair in self._written(item, values)]
        self.taken = tuple(self.program.exit_marks[item.mark] for item in exits)
        for cell, value in written:
            values[self._layout.slot(cell)] = value
        for name, stepper in self._steppers.items():
            self._move(stepper, taken[name] is not None, values)
        self._write_outputs(values)
        return [self._steppers[name] for name, item in taken.items() if item is not None]

    def _written(self, item: ExitProgram, values: Values) -> Iterator[tuple[Cell, int]]:
        """What an exit writes; a counter's value outside its bounds is noted and not written."""
        for cell, code in self._actions[item.mark]:
            value = code(values)
            if cell.low <= value <= cell.high:
                yield cell, value
            else:
                self.left_bounds += (self.program.memory[cell],)

    def _move(self, stepper: SequenceStepper, entered: bool, values: Values) -> None:
        sequence, slot = stepper.program, self._layout.slot
        values[slot(sequence.active)] = stepper.number
        if sequence.elapsed is not None:
            elapsed = slot(sequence.elapsed)
            # The entry scan counts 0, so the scan after it reads 1.
            if entered:
                values[elapsed] = 1
            elif values[elapsed] < stepper.longest_wait:
                values[elapsed] += 1

    def _write_outputs(self, values: Values) -> None:
        slot = self._layout.slot
        for output, _ in self._outputs:
            values[slot(output.demand)] = int(any(self._active(*state) for state in output.demanded_by))
        for output, permits in self._outputs:
            permitted = all(code(values) for code in permits)
            values[slot(output.asked)] = int(values[slot(output.demand)] and permitted)

    def _active(self, sequence: str, state: str) -> bool:
        return self._steppers[sequence].state == state

    # -- reasons -----------------------------------------------------------------------------

    def why(self, output: str) -> Reason:
        """Why an output is on or off after the last scan.

        Raises:
            UsageError: if there is no such output.
        """
        item = next((item for item in self.program.outputs if item.name == output), None)
        if item is None:
            raise unknown("output", output, [item.name for item in self.program.outputs])
        moment = Moment(self._values, self._values, self._history, self.time_ms)
        supply = Supply.SCANNING if self._scanned else Supply.FRESH if self.powered else Supply.OFF
        permits = tuple(
            Permit(
                index + 1,
                self._whys[index] if self._whys else "",
                self._clauses.clause(term, moment, self._conditions.permit(index)),
            )
            for index, term in item.permits
        )
        return Reason(
            output=output,
            on=self._truth(item.asked),
            lasting=self._history.lasting(self._history.since(item.asked), self.time_ms),
            supply=supply,
            demanded_by=tuple(state for state in item.demanded_by if self._active(*state)),
            demanders=item.demanded_by,
            permits=permits if supply is Supply.SCANNING else (),
        )

    def exits(self, sequence: str | None = None) -> tuple[ExitReason, ...]:
        """The ways out of the active states, as the next scan would find them on ``inputs``.

        For one sequence or all, in the order the scan looks at them; none without power. The
        scan is tried on a copy, so edges, delays and times are judged exactly.

        Raises:
            UsageError: if there is no such sequence.
        """
        steppers = list(self._steppers.values()) if sequence is None else [self._stepper(sequence)]
        values = list(self._values)
        self._sense(values)
        moment = Moment(values, self._values, self._history, self.time_ms)
        return tuple(reason for item in steppers for reason in item.ways_out(moment, self._clauses))

    def why_not(self, target: str) -> tuple[ExitReason, ...]:
        """The ways from where a sequence is to a state, given as ``gate.waiting``.

        Empty if no exit of the active state and no override leads there.

        Raises:
            UsageError: if there is no such state.
        """
        sequence, _, state = target.partition(".")
        states = self._stepper(sequence).program.states
        if state not in states:
            raise unknown("state", target, [f"{sequence}.{known}" for known in states])
        return tuple(reason for reason in self.exits(sequence) if reason.target == state)

    def _stepper(self, sequence: str) -> SequenceStepper:
        if sequence not in self._steppers:
            raise unknown("sequence", sequence, self._steppers)
        return self._steppers[sequence]


def _every_exit(sequence: SequenceProgram) -> tuple[ExitProgram, ...]:
    return (*sequence.overrides, *(item for items in sequence.exits for item in items))


def _scan_cells(program: ControllerProgram) -> Iterator[Cell]:
    """The cells within one scan that the executive writes itself."""
    yield from (signal.pin for signal in program.signals)
    for observer in program.observers:
        yield from (observer.now, observer.was)
    yield from (output.demand for output in program.outputs)
