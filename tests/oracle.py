"""A second, independent reading of a machine file's controller: the oracle for lowering.

It interprets the pydantic models directly, knows nothing of the step program, and keeps
points in time (milliseconds) where the program counts scans. Written from 'Semantics,
settled' in the design and from IEC 61131-3, not from ``lowering.py``. For tests only.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from stillgate.controller.expressions.expression import (
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
from stillgate.controller.machine_file.machine import Exit, Level, Machine, Override, Sequence


@dataclass
class View:
    """What an expression may look at."""

    levels: Mapping[str, bool]
    outputs: Mapping[str, bool]
    states: Mapping[str, str | None]
    memory: Mapping[str, int]


@dataclass
class Past:
    """What is remembered of one argument of rising, falling or held."""

    argument: Expression
    now: bool = False
    before: bool = False
    true_since: int = 0


@dataclass
class Oracle:
    """A controller, scanned on electrical pin levels. Power is on at the start."""

    machine: Machine
    time: int = 0
    powered: bool = True
    states: dict[str, str | None] = field(default_factory=dict)
    memory: dict[str, int] = field(default_factory=dict)
    outputs: dict[str, bool] = field(default_factory=dict)
    left_bounds: list[str] = field(default_factory=list)
    entered_at: dict[str, int] = field(default_factory=dict)
    accepted: dict[str, bool] = field(default_factory=dict)
    differs_since: dict[str, int | None] = field(default_factory=dict)
    pasts: dict[str, Past] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.power_on()

    # -- power -------------------------------------------------------------------------------

    def power_on(self) -> None:
        """Everything as on the first day."""
        machine = self.machine
        self.powered = True
        self.states = {name: sequence.start for name, sequence in machine.sequences.items()}
        self.entered_at = dict.fromkeys(machine.sequences, self.time)
        self._forget()

    def power_off(self) -> None:
        """Nothing active, nothing on, nothing remembered."""
        self.powered = False
        self.states = dict.fromkeys(self.machine.sequences)
        self._forget()

    def _forget(self) -> None:
        machine = self.machine
        self.memory = {name: int(item.start) for name, item in machine.memory.items()}
        self.outputs = dict.fromkeys(machine.outputs, False)
        self.accepted = dict.fromkeys(machine.inputs, False)
        self.differs_since = dict.fromkeys(machine.inputs)
        self.pasts = {
            canonical(node.argument): Past(node.argument)
            for tree in self._trees()
            for node in walk(tree)
            if isinstance(node, EdgeOf | HeldFor)
        }
        self.left_bounds = []

    def _trees(self) -> Iterator[Expression]:
        for sequence in self.machine.sequences.values():
            every: list[Exit | Override] = [*sequence.overrides]
            every += [item for state in sequence.states.values() for item in state.exits]
            for item in every:
                if item.when is not None:
                    yield item.when.tree
                yield from (value.tree for value in item.do.values())
        yield from (interlock.unless.tree for interlock in self.machine.interlocks)

    # -- one scan ----------------------------------------------------------------------------

    def scan(self, pins: Mapping[str, bool]) -> None:
        """One scan; without power only time passes."""
        self.left_bounds = []
        if self.powered:
            self._scan(pins)
        self.time += self.machine.scan

    def _scan(self, pins: Mapping[str, bool]) -> None:
        levels = {name: self._level(name, pins[name]) for name in self.machine.inputs}
        start = View(levels, dict(self.outputs), dict(self.states), dict(self.memory))
        for past in self.pasts.values():
            past.before, past.now = past.now, bool(self.value(past.argument, start))
            if past.now and not past.before:
                past.true_since = self.time
        for name, sequence in self.machine.sequences.items():
            chosen = self._way_out(name, sequence, start)
            if chosen is not None:
                self.states[name] = chosen.to
                self.entered_at[name] = self.time
                self._act(chosen, start)
        demands = {name: self._demanded(name) for name in self.machine.outputs}
        after = View(levels, demands, self.states, self.memory)
        self.outputs = {
            name: demands[name]
            and all(
                bool(self.value(lock.unless.tree, after))
                for lock in self.machine.interlocks
                if lock.hold_off == name
            )
            for name in self.machine.outputs
        }

    def _level(self, name: str, pin: bool) -> bool:
        item = self.machine.inputs[name]
        sample = pin if item.active is Level.HIGH else not pin
        if sample == self.accepted[name]:
            self.differs_since[name] = None
            return sample
        since = self.differs_since[name]
        if since is None:
            since = self.differs_since[name] = self.time
        if self.time - since >= item.debounce:
            self.accepted[name] = sample
            self.differs_since[name] = None
        return self.accepted[name]

    def _way_out(self, name: str, sequence: Sequence, start: View) -> Exit | Override | None:
        active = start.states[name]
        assert active is not None
        for override in sequence.overrides:
            if self.value(override.when.tree, start):
                return None if override.to == active else override
        for item in sequence.states[active].exits:
            waited = item.after is None or self.time - self.entered_at[name] >= item.after
            if waited and (item.when is None or self.value(item.when.tree, start)):
                return item
        return None

    def _act(self, item: Exit | Override, start: View) -> None:
        wanted = {name: self.value(value.tree, start) for name, value in item.do.items()}
        wanted |= dict.fromkeys(item.set, 1) | dict.fromkeys(item.clear, 0)
        for name, value in wanted.items():
            bounds = self.machine.memory[name].range or "0..1"
            low, high = (int(text) for text in bounds.split(".."))
            if low <= value <= high:
                self.memory[name] = value
            else:
                self.left_bounds.append(name)

    def _demanded(self, output: str) -> bool:
        return any(
            output in sequence.states[state].on
            for name, sequence in self.machine.sequences.items()
            if (state := self.states[name]) is not None
        )

    # -- expressions -------------------------------------------------------------------------

    def value(self, tree: Expression, view: View) -> int:
        """Value of an expression; truths are 0 and 1."""
        match tree:
            case Number(value=value) | Truth(value=value):
                return int(value)
            case Not(operand=operand):
                return int(not self.value(operand, view))
            case EdgeOf(edge=edge, argument=argument):
                past = self.pasts[canonical(argument)]
                risen = past.now and not past.before
                return int(risen if edge is Edge.RISING else past.before and not past.now)
            case HeldFor(argument=argument, milliseconds=milliseconds):
                past = self.pasts[canonical(argument)]
                return int(past.now and self.time - past.true_since >= milliseconds)
            case Binary(operator=operator, left=left, right=right):
                return self._binary(operator, self.value(left, view), self.value(right, view))
            case Name(path=path):
                return int(self._named(path, view))
        raise AssertionError(f"{tree!r} is not a controller's expression")

    @staticmethod
    def _named(path: str, view: View) -> int:
        sequence, dot, state = path.partition(".")
        if dot:
            return view.states[sequence] == state
        for values in (view.levels, view.outputs, view.memory):
            if path in values:
                return values[path]
        raise AssertionError(f"unknown name {path}")

    @staticmethod
    def _binary(operator: Operator, left: int, right: int) -> int:
        table = {
            Operator.AND: left and right,
            Operator.OR: left or right,
            Operator.XOR: left != right,
            Operator.EQ: left == right,
            Operator.NE: left != right,
            Operator.LT: left < right,
            Operator.LE: left <= right,
            Operator.GT: left > right,
            Operator.GE: left >= right,
            Operator.ADD: left + right,
            Operator.SUB: left - right,
        }
        return int(table[operator])
