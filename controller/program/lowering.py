"""Lowers a machine's controller to the step program: the meaning of one scan, written once.

Order of one scan (design: 'Semantics, settled', items 5 to 8)::

    pins ──► polarity ──► debounce ──► run counters          sense, one block a signal
         ──► arguments of rising, falling, held              observe
         ──► overrides, exits, actions   (scan-start values) decide
         ──► new states, memory, elapsed times               decide
         ──► demands of the states now active, interlocks    decide

All guards read scan-start values because new states and memory are computed beside the
old ones and take effect together.

One counter serves every use of an argument: ``run`` counts the scans for which it has been
true without a gap. rising is "true now, not before", falling the reverse, and held(x, t)
is "true for t since its first true scan", the Q output of a TON (IEC 61131-3).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import combinations

from ..expressions.expression import (
    At,
    Binary,
    Edge,
    EdgeOf,
    Expression,
    HeldFor,
    Name,
    Not,
    Number,
    Operator,
    Truth,
    canonical,
    walk,
)
from ..machine_file.field_types import Milliseconds, Ticks
from ..machine_file.machine import Actions, Exit, Input, Level, Machine, Override
from ..rules.namespace import (
    AskedRef,
    Context,
    InputRef,
    MemoryRef,
    Namespace,
    OutputRef,
    SeenRef,
    StateRef,
    memory_bounds,
)
from .clocks import Clock, ClockKind
from .controller_program import (
    ControllerProgram,
    ExitProgram,
    Observer,
    OutputProgram,
    SequenceProgram,
    Signal,
    Stage,
)
from .footprint import bounds_of, may_leave_range
from .program import (
    FALSE,
    TRUE,
    Assign,
    Block,
    Cell,
    Complement,
    Constant,
    If,
    Lookup,
    Note,
    NoteKind,
    Observation,
    Operation,
    Read,
    Ref,
    Remark,
    Role,
    Scope,
    Statement,
    Switch,
    Term,
    TimeConstant,
    conjunction,
    disjunction,
    ticks_up,
)


def lower_controller(
    machine: Machine, *, period: Milliseconds | None = None, overlaps: bool = False
) -> ControllerProgram:
    """The controller's program, with cell ranges for the given period (default: the scan).

    The statements hold times in milliseconds and do not depend on the period. With ``overlapping_exits``
    a scan also notes two exits of a state that are true at once; it does nothing else differently.
    """
    return _Lowering(machine, machine.scan if period is None else period).program(overlaps)


def local(
    name: str, low: int = 0, high: int = 1, scope: Scope = Scope.CONTROLLER, role: Role = Role.VALUE
) -> Cell:
    """A cell that lives within one step."""
    return Cell(name, low, high, low, scope, persistent=False, role=role)


def _run_cell(name: str, high: Ticks) -> Cell:
    """Counts the scans for which something has been true."""
    return Cell(name, 0, high, 0, Scope.CONTROLLER, role=Role.TIME)


def count_up(cell: Cell, limit: Term) -> Statement:
    """Adds one to a counter unless it has reached the limit."""
    return If(
        Operation(Operator.LT, Ref(cell), limit),
        (Assign(cell, Operation(Operator.ADD, Ref(cell), Constant(1))),),
    )


@dataclass
class _ObservedArgument:
    """How an argument of rising, falling and held is used."""

    tree: Expression
    edge: bool = False
    longest: Milliseconds = -1  # longest preset time, -1 if held is not used

    def use(self, node: EdgeOf | HeldFor) -> None:
        if isinstance(node, EdgeOf):
            self.edge = True
        else:
            self.longest = max(self.longest, node.milliseconds)

    def run_limit(self) -> Term:
        if self.longest < 0:
            return Constant(1)
        return Operation(Operator.ADD, TimeConstant(self.longest), Constant(1))

    def run_high(self, period: Milliseconds) -> int:
        return 1 if self.longest < 0 else ticks_up(self.longest, period) + 1


@dataclass
class _Lowering:
    machine: Machine
    period: Milliseconds
    names: Namespace = field(init=False)
    active: dict[str, Cell] = field(default_factory=dict)
    states: dict[str, tuple[str, ...]] = field(default_factory=dict)
    memory: dict[str, Cell] = field(default_factory=dict)
    demand: dict[str, Cell] = field(default_factory=dict)
    asked: dict[str, Cell] = field(default_factory=dict)
    observed: dict[str, _ObservedArgument] = field(default_factory=dict)
    observers: dict[str, Observer] = field(default_factory=dict)
    exit_marks: list[str] = field(default_factory=list)
    clocks: list[Clock] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.names = Namespace(self.machine)

    def program(self, overlaps: bool) -> ControllerProgram:
        machine = self.machine
        for name, sequence in machine.sequences.items():
            self.states[name] = tuple(sequence.states)
            start = self.states[name].index(sequence.start)
            self.active[name] = Cell(
                f"{name}.active", 0, len(sequence.states), start, Scope.CONTROLLER, role=Role.STATE
            )
        for name, memory in machine.memory.items():
            low, high = memory_bounds(memory)
            self.memory[name] = Cell(
                f"{name}.value", low, high, int(memory.start), Scope.CONTROLLER, role=Role.MEMORY
            )
        for name in machine.outputs:
            self.demand[name] = local(f"{name}.demand")
            self.asked[name] = Cell(f"{name}.asked", 0, 1, 0, Scope.CONTROLLER)
        self._collect_observed()
        signals = tuple(self._signal(name, item) for name, item in machine.inputs.items())
        self._make_observers()
        sequences = tuple(self._sequence(name) for name in machine.sequences)
        outputs = tuple(self._output(name) for name in machine.outputs)
        bounds = tuple((cell, index) for index, cell in enumerate(self._counters()))
        pairs = _rivals(sequences) if overlaps else ()
        names = {cell: name for name, cell in self.memory.items()}
        notes = {pair: len(bounds) + number for number, pair in enumerate(pairs)}
        return ControllerProgram(
            name=machine.machine,
            period=self.period,
            signals=signals,
            observers=tuple(self.observers.values()),
            sequences=sequences,
            memory=names,
            outputs=outputs,
            bounds_marks=bounds,
            overlap_marks=pairs,
            exit_marks=tuple(self.exit_marks),
            observe=self._observe(),
            stages=self._stages(sequences, outputs, _Writer(names, dict(bounds), notes)),
            clocks=(*self.clocks, *(_time_in_state(item, self.period) for item in sequences if item.elapsed)),
        )

    # -- terms ---------------------------------------------------------------------------

    def term(self, tree: Expression, context: Context) -> Term:
        """The term of a resolved expression of the controller."""
        match tree:
            case Number(value=value):
                return Constant(value)
            case Truth(value=value):
                return TRUE if value else FALSE
            case Not(operand=operand):
                return Complement(self.term(operand, context))
            case Binary(operator=operator, left=left, right=right):
                return Operation(operator, self.term(left, context), self.term(right, context))
            case EdgeOf() | HeldFor():
                return self._observation(tree)
            case Name():
                return self._name(tree, context)
            case At():
                raise AssertionError("'at' belongs to parts; the reader refuses it here")

    def _name(self, name: Name, context: Context) -> Term:
        match self.names.resolve(name.path, context):
            case InputRef(name=key) | SeenRef(name=key):
                return Read(key, Observation.LEVEL)
            case OutputRef(name=key):
                return Ref(self.demand[key] if context is Context.INTERLOCK else self.asked[key])
            case AskedRef(name=key):
                return Ref(self.asked[key])
            case MemoryRef(name=key):
                return Ref(self.memory[key])
            case StateRef(sequence=sequence, state=state):
                number = self.states[sequence].index(state)
                return Operation(Operator.EQ, Ref(self.active[sequence]), Constant(number))
            case other:
                raise AssertionError(f"{other!r} is not a name the controller knows")

    def _observation(self, node: EdgeOf | HeldFor) -> Term:
        key = self._input_key(node.argument)
        if key is not None:
            if isinstance(node, HeldFor):
                return Read(key, Observation.HELD, node.milliseconds)
            return Read(key, Observation.ROSE if node.edge is Edge.RISING else Observation.FELL)
        observer = self.observers[canonical(node.argument)]
        now, was = Ref(observer.now), Ref(observer.was)
        if isinstance(node, HeldFor):
            return Operation(Operator.GT, Ref(observer.run), TimeConstant(node.milliseconds))
        if node.edge is Edge.RISING:
            return Operation(Operator.AND, now, Complement(was))
        return Operation(Operator.AND, was, Complement(now))

    def _input_key(self, tree: Expression) -> str | None:
        """Name of the input if the expression is nothing but an input's name."""
        if isinstance(tree, Name):
            found = self.names.resolve(tree.path, Context.GUARD)
            if isinstance(found, InputRef):
                return found.name
        return None

    # -- what is remembered of the past ----------------------------------------------------

    def _controller_trees(self) -> list[Expression]:
        trees: list[Expression] = []
        for sequence in self.machine.sequences.values():
            items: list[Override | Exit] = [*sequence.overrides]
            items += [item for state in sequence.states.values() for item in state.exits]
            for item in items:
                if item.when is not None:
                    trees.append(item.when.tree)
                trees += [condition.tree for condition in item.do.values()]
        return trees + [interlock.unless.tree for interlock in self.machine.interlocks]

    def _collect_observed(self) -> None:
        for tree in self._controller_trees():
            for node in walk(tree):
                if isinstance(node, EdgeOf | HeldFor):
                    key = canonical(node.argument)
                    self.observed.setdefault(key, _ObservedArgument(node.argument)).use(node)

    def _signal(self, name: str, item: Input) -> Signal:
        pin, level = local(f"{name}.pin"), local(f"{name}.level")
        sample: Term = Ref(pin)
        if item.active is Level.LOW:
            sample = Complement(sample)
        sense: list[Statement] = []
        memory: list[Cell] = []
        if item.debounce:
            accepted = Cell(f"{name}.accepted", 0, 1, 0, Scope.CONTROLLER)
            high = ticks_up(item.debounce, self.period)
            differs = Cell(f"{name}.differs", 0, high, 0, Scope.CONTROLLER, role=Role.TIME)
            memory += [accepted, differs]
            self.clocks.append(Clock(differs, ClockKind.DEBOUNCE, Constant(high)))
            sense += _debounce(sample, accepted, differs, item.debounce)
            sample = Ref(accepted)
        sense.append(Assign(level, sample))
        use = self.observed.get(name)
        was: Cell | None = None
        run: Cell | None = None
        if use is not None:
            run = _run_cell(f"{name}.run", use.run_high(self.period))
            was = local(f"{name}.was")
            memory.append(run)
            self.clocks.append(Clock(run, ClockKind.HELD, Constant(run.high)))
            sense += _count_run(level, was, run, use.run_limit())
        return Signal(name, pin, level, was, run, tuple(memory), tuple(sense), item.active is Level.LOW)

    def _make_observers(self) -> None:
        # An observer's argument holds no edge or hold of its own (the reader refuses nesting),
        # so its term can be lowered before any observer exists.
        for key, use in self.observed.items():
            if self._input_key(use.tree) is None:
                number = len(self.observers)
                run = _run_cell(f"observed{number}.run", use.run_high(self.period))
                self.clocks.append(Clock(run, ClockKind.HELD, Constant(run.high)))
                self.observers[key] = Observer(
                    text=key,
                    argument=self.term(use.tree, Context.GUARD),
                    now=local(f"observed{number}.now"),
                    was=local(f"observed{number}.was"),
                    run=run,
                )

    def _observe(self) -> Block:
        block: list[Statement] = []
        for key, observer in self.observers.items():
            block.append(Remark(f"what rising, falling and held remember of: {key}"))
            block.append(Assign(observer.now, observer.argument))
            block += _count_run(observer.now, observer.was, observer.run, self.observed[key].run_limit())
        return tuple(block)

    # -- sequences -------------------------------------------------------------------------

    def _sequence(self, name: str) -> SequenceProgram:
        sequence = self.machine.sequences[name]
        longest = [e.after for state in sequence.states.values() for e in state.exits if e.after is not None]
        elapsed: Cell | None = None
        if longest:
            high = max(1, ticks_up(max(longest), self.period))
            elapsed = Cell(f"{name}.elapsed", 0, high, 0, Scope.CONTROLLER, role=Role.TIME)
        overrides = tuple(
            self._exit(name, f"override {number}", item)
            for number, item in enumerate(sequence.overrides, start=1)
        )
        exits = tuple(
            tuple(
                self._exit(name, f"{key}, exit {number}", item)
                for number, item in enumerate(state.exits, start=1)
            )
            for key, state in sequence.states.items()
        )
        states = self.states[name]
        return SequenceProgram(
            name=name,
            states=states,
            start=states.index(sequence.start),
            active=self.active[name],
            next_active=local(f"{name}.next_state", 0, len(states)),
            elapsed=elapsed,
            overrides=overrides,
            exits=exits,
        )

    def _exit(self, sequence: str, place: str, item: Exit | Override) -> ExitProgram:
        mark = len(self.exit_marks)
        self.exit_marks.append(f"{sequence}: {place} to {item.to}")
        return ExitProgram(
            guard=TRUE if item.when is None else self.term(item.when.tree, Context.GUARD),
            after=item.after if isinstance(item, Exit) else None,
            target=self.states[sequence].index(item.to),
            actions=self._actions(item),
            mark=mark,
        )

    def _actions(self, item: Actions) -> tuple[tuple[Cell, Term], ...]:
        found = [(self.memory[key], self.term(value.tree, Context.GUARD)) for key, value in item.do.items()]
        found += [(self.memory[key], TRUE) for key in item.set]
        found += [(self.memory[key], FALSE) for key in item.clear]
        return tuple(found)

    def _counters(self) -> list[Cell]:
        return [self.memory[name] for name, item in self.machine.memory.items() if item.range is not None]

    def _stages(
        self,
        sequences: tuple[SequenceProgram, ...],
        outputs: tuple[OutputProgram, ...],
        writer: _Writer,
    ) -> tuple[Stage, ...]:
        stages = [Stage(f"exits_{item.name}", writer.exits_of(item)) for item in sequences]
        settle: list[Statement] = [Remark("new states and memory take effect together")]
        settle += writer.commit(sequences)
        settle.append(Remark("outputs: demanded by the active states, held off by interlocks"))
        for output in outputs:
            settle.append(Assign(output.demand, self._demand_of(output)))
        for output in outputs:
            permits = tuple(term for _, term in output.permits)
            settle.append(Assign(output.asked, conjunction((Ref(output.demand), *permits))))
        return (*stages, Stage("settle__", tuple(settle)))

    def _demand_of(self, output: OutputProgram) -> Term:
        return disjunction(
            tuple(
                Operation(Operator.EQ, Ref(self.active[key]), Constant(self.states[key].index(state)))
                for key, state in output.demanded_by
            )
        )

    def _output(self, name: str) -> OutputProgram:
        demanded_by = tuple(
            (key, state_name)
            for key, sequence in self.machine.sequences.items()
            for state_name, state in sequence.states.items()
            if name in state.on
        )
        permits = tuple(
            (index, self.term(item.unless.tree, Context.INTERLOCK))
            for index, item in enumerate(self.machine.interlocks)
            if item.hold_off == name
        )
        active_low = self.machine.outputs[name].active is Level.LOW
        return OutputProgram(name, self.demand[name], self.asked[name], demanded_by, permits, active_low)


def _debounce(sample: Term, accepted: Cell, differs: Cell, time: Milliseconds) -> list[Statement]:
    """Accepts a level at the first sample by which it has differed for the time."""
    return [
        If(
            Operation(Operator.EQ, sample, Ref(accepted)),
            (Assign(differs, Constant(0)),),
            (
                If(
                    Operation(Operator.GE, Ref(differs), TimeConstant(time)),
                    (Assign(accepted, sample), Assign(differs, Constant(0))),
                    (Assign(differs, Operation(Operator.ADD, Ref(differs), Constant(1))),),
                ),
            ),
        )
    ]


def _count_run(level: Cell, was: Cell, run: Cell, limit: Term) -> list[Statement]:
    return [
        Assign(was, Operation(Operator.GT, Ref(run), Constant(0))),
        If(Ref(level), (count_up(run, limit),), (Assign(run, Constant(0)),)),
    ]


@dataclass
class _Writer:
    """Statements that compute a sequence's next state beside the present one."""

    memory: Mapping[Cell, str]
    bounds: dict[Cell, int]
    overlaps: dict[tuple[int, int], int]  # BROKEN index of two exits of a state, by their marks
    shadows: dict[Cell, Cell] = field(default_factory=dict)
    wanted: dict[Cell, Cell] = field(default_factory=dict)  # what an exit asks of a counter, in bounds or not

    def exits_of(self, sequence: SequenceProgram) -> Block:
        block: list[Statement] = []
        every = [*sequence.overrides, *(item for items in sequence.exits for item in items)]
        for cell in dict.fromkeys(cell for item in every for cell, _ in item.actions):
            shadow = local(f"{self.memory[cell]}.next", cell.low, cell.high, role=Role.MEMORY)
            self.shadows[cell] = shadow
            block.append(Assign(shadow, Ref(cell)))
            asked = [bounds_of(value) for item in every for written, value in item.actions if written == cell]
            self.wanted[cell] = local(
                f"{self.memory[cell]}.wanted",
                min(cell.low, *(low for low, _ in asked)),
                max(cell.high, *(high for _, high in asked)),
                role=Role.ASKED,
            )
        block.append(Assign(sequence.next_active, Ref(sequence.active)))
        block.append(Assign(_entered(sequence), FALSE))
        chain: Block = (
            Switch(
                sequence.active,
                tuple(
                    (number, self._chain(sequence, items))
                    for number, items in enumerate(sequence.exits)
                    if items
                ),
            ),
        )
        for item in reversed(sequence.overrides):
            already_there = Operation(Operator.EQ, Ref(sequence.active), Constant(item.target))
            chain = (If(item.guard, (If(already_there, (), self._take(sequence, item)),), chain),)
        return (*block, *chain)

    def _chain(self, sequence: SequenceProgram, items: tuple[ExitProgram, ...]) -> Block:
        chain: Block = ()
        for item in reversed(items):
            rivals = [
                If(_due(sequence, later), (Note(NoteKind.BROKEN, self.overlaps[item.mark, later.mark]),))
                for later in items
                if (item.mark, later.mark) in self.overlaps
            ]
            chain = (If(_due(sequence, item), (*rivals, *self._take(sequence, item)), chain),)
        return chain

    def _take(self, sequence: SequenceProgram, item: ExitProgram) -> Block:
        block: list[Statement] = [
            Note(NoteKind.COVERED, item.mark),
            Assign(sequence.next_active, Constant(item.target)),
            Assign(_entered(sequence), TRUE),
        ]
        for cell, value in item.actions:
            block += self._write(cell, value)
        return tuple(block)

    def _write(self, cell: Cell, value: Term) -> Block:
        shadow = self.shadows[cell]
        if not may_leave_range(cell, value):
            return (Assign(shadow, value),)
        wanted = self.wanted[cell]
        within: Term = Operation(
            Operator.AND,
            Operation(Operator.GE, Ref(wanted), Constant(cell.low)),
            Operation(Operator.LE, Ref(wanted), Constant(cell.high)),
        )
        leaves_bound = Note(NoteKind.BROKEN, self.bounds[cell])
        return (Assign(wanted, value), If(within, (Assign(shadow, Ref(wanted)),), (leaves_bound,)))

    def commit(self, sequences: tuple[SequenceProgram, ...]) -> Block:
        block: list[Statement] = [Assign(cell, Ref(shadow)) for cell, shadow in self.shadows.items()]
        for sequence in sequences:
            block.append(Assign(sequence.active, Ref(sequence.next_active)))
            if sequence.elapsed is not None:
                limit = TimeConstant(max(i.after or 0 for items in sequence.exits for i in items))
                # The entry scan counts 0, so the scan after it reads 1.
                block.append(
                    If(
                        Ref(_entered(sequence)),
                        (Assign(sequence.elapsed, Constant(1)),),
                        (count_up(sequence.elapsed, limit),),
                    )
                )
        return tuple(block)


def _time_in_state(sequence: SequenceProgram, period: Milliseconds) -> Clock:
    """The clock of a sequence; in each state its limit is the longest time that an exit waits for."""
    assert sequence.elapsed is not None
    limits = tuple(
        min(
            sequence.elapsed.high,
            max((ticks_up(item.after, period) for item in items if item.after is not None), default=0),
        )
        for items in sequence.exits
    )
    return Clock(sequence.elapsed, ClockKind.STATE, Lookup((*limits, 0), Ref(sequence.active)))


def _due(sequence: SequenceProgram, item: ExitProgram) -> Term:
    """Whether an exit's condition and time are both fulfilled."""
    if item.after is None:
        return item.guard
    assert sequence.elapsed is not None
    waited = Operation(Operator.GE, Ref(sequence.elapsed), TimeConstant(item.after))
    return waited if item.guard == TRUE else Operation(Operator.AND, waited, item.guard)


def _rivals(sequences: tuple[SequenceProgram, ...]) -> tuple[tuple[int, int], ...]:
    """Marks of every two exits of one state that do not do the same."""
    return tuple(
        (first.mark, second.mark)
        for sequence in sequences
        for items in sequence.exits
        for first, second in combinations(items, 2)
        if (first.target, first.actions) != (second.target, second.actions)
    )


def _entered(sequence: SequenceProgram) -> Cell:
    return local(f"{sequence.name}.entered")
