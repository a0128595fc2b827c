"""What one cause alone does to the outputs in one scan, computed from the Program.

One scan is run with sets of values instead of values: everything may be anything, but for the
one cause in question. What comes out as 'surely off' is off in every situation, reachable or
not, so an effect is never claimed wrongly; an effect that only shows in the situations that
can be reached, or only with other causes together, is not listed. Sets of values are the
simplest abstract interpretation (Cousot and Cousot, POPL 1977).
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import Enum

from ..expressions.expression import Operator
from ..machine_file.machine import Machine
from .controller_program import ControllerProgram, OutputProgram
from .footprint import signals_read
from .lowering import lower_controller
from .program import (
    Assign,
    Block,
    Cell,
    Complement,
    Constant,
    If,
    Lookup,
    Note,
    Observation,
    Operation,
    Read,
    Ref,
    Remark,
    Switch,
    Term,
    TimeConstant,
    ticks_up,
)

Values = frozenset[int]
"""What a cell may hold; a cell with more values than ``MOST_VALUES`` is cut to its ends and unknown."""

MOST_VALUES = 512
TRUTHS: Values = frozenset({0, 1})
ZERO: Values = frozenset({0})

_APPLY: dict[Operator, Callable[[int, int], int]] = {
    Operator.AND: lambda a, b: int(bool(a and b)),
    Operator.OR: lambda a, b: int(bool(a or b)),
    Operator.XOR: lambda a, b: int(bool(a) != bool(b)),
    Operator.EQ: lambda a, b: int(a == b),
    Operator.NE: lambda a, b: int(a != b),
    Operator.LT: lambda a, b: int(a < b),
    Operator.LE: lambda a, b: int(a <= b),
    Operator.GT: lambda a, b: int(a > b),
    Operator.GE: lambda a, b: int(a >= b),
    Operator.ADD: operator.add,
    Operator.SUB: operator.sub,
}
_GIVES_TRUTH = set(Operator) - {Operator.ADD, Operator.SUB}


class Effect(Enum):
    """What a cause surely does to an output, in the words that stand in the cause-and-effect matrix.

    Words and no letters: on cause-and-effect charts of the trade letters stand for other things, and differ
    from one house to the next (common practice, no source).
    """

    DEMANDS = "asks"
    INTERLOCKED = "held off"
    DROPPED = "stopped"
    NO_START = "start blocked"


MEANING = {
    Effect.DEMANDS: "the state asks for the output; an interlock may still hold it off",
    Effect.INTERLOCKED: "an interlock holds the output off in the same scan, whatever asks for it",
    Effect.DROPPED: "no state asks for the output after one scan: what runs is stopped",
    Effect.NO_START: "the output, if it is off, cannot go on in this scan; what runs goes on",
}


@dataclass(frozen=True, slots=True)
class InputCause:
    """An input that the controller sees off or on (after its debounce time)."""

    name: str
    level: bool


@dataclass(frozen=True, slots=True)
class StateCause:
    """A state that is active when the outputs are decided."""

    sequence: str
    state: str


Cause = InputCause | StateCause
EffectRow = dict[str, frozenset[Effect]]
"""Effects of one cause, by output; outputs without an effect are left out."""


def effects_of(machine: Machine) -> dict[Cause, EffectRow]:
    """The effects of every input, off and on, and of every state, in the order of the file."""
    program = lower_controller(machine)
    calm = _input_row(program, {})
    permits = tuple(If(permit, ()) for output in program.outputs for _, permit in output.permits)
    read = signals_read((*program.observe, *program.decide, *permits))
    found: dict[Cause, EffectRow] = {}
    for name in machine.inputs:
        for level in (False, True):
            row = _input_row(program, {name: int(level)}) if name in read else calm
            found[InputCause(name, level)] = _without(row, calm)
    for sequence in program.sequences:
        for number, state in enumerate(sequence.states):
            found[StateCause(sequence.name, state)] = _state_row(program, sequence.name, number, state)
    return found


def _without(row: EffectRow, calm: EffectRow) -> EffectRow:
    """Effects that need the cause: an output that nothing can ever switch on has none."""
    left = {output: effects - calm.get(output, frozenset()) for output, effects in row.items()}
    return {output: effects for output, effects in left.items() if effects}


def _input_row(program: ControllerProgram, inputs: Mapping[str, int]) -> EffectRow:
    anywhere = {item.active: frozenset(range(len(item.states))) for item in program.sequences}
    after = _Scan(program, inputs).run(anywhere)
    row: EffectRow = {}
    for output in program.outputs:
        effects: set[Effect] = set()
        if _held_off(program, output, after):
            effects.add(Effect.INTERLOCKED)
        if after.term(Ref(output.demand)) == ZERO:
            effects.add(Effect.DROPPED)
        if not effects:
            idle = _Scan(program, inputs).run(_not_demanding(program, output, anywhere))
            if idle.term(Ref(output.asked)) == ZERO:
                effects.add(Effect.NO_START)
        if effects:
            row[output.name] = frozenset(effects)
    return row


def _not_demanding(
    program: ControllerProgram, output: OutputProgram, anywhere: Mapping[Cell, Values]
) -> dict[Cell, Values]:
    """Where the sequences may be while no state demands the output."""
    found = dict(anywhere)
    for sequence in program.sequences:
        demanding = {
            sequence.states.index(state) for name, state in output.demanded_by if name == sequence.name
        }
        found[sequence.active] = anywhere[sequence.active] - demanding
    return found


def _state_row(program: ControllerProgram, sequence: str, number: int, state: str) -> EffectRow:
    active = next(item.active for item in program.sequences if item.name == sequence)
    situation = _Scan(program, {})
    situation.values[active] = frozenset({number})
    row: EffectRow = {}
    for output in program.outputs:
        effects: set[Effect] = set()
        if (sequence, state) in output.demanded_by:
            effects.add(Effect.DEMANDS)
        if _held_off(program, output, situation):
            effects.add(Effect.INTERLOCKED)
        if effects:
            row[output.name] = frozenset(effects)
    return row


def _held_off(program: ControllerProgram, output: OutputProgram, situation: _Scan) -> bool:
    return any(situation.term(term) == ZERO for _, term in output.permits)


class _Scan:
    """One scan over sets of values. ``values`` holds what is known; any other cell may be anything."""

    def __init__(self, program: ControllerProgram, inputs: Mapping[str, int]) -> None:
        self.program = program
        self.inputs = inputs
        self.values: dict[Cell, Values] = {}

    def run(self, start: Mapping[Cell, Values]) -> _Scan:
        """Runs the scan from what is known at its start, each sequence from each of its states in turn."""
        self.values = dict(start)
        self._block(self.program.observe)
        active = {f"exits_{item.name}": item.active for item in self.program.sequences}
        for stage in self.program.stages:
            if stage.name in active:
                cell = active[stage.name]
                known = self.values[cell]
                self._join([({**self.values, cell: frozenset({state})}, stage.block) for state in known])
                self.values[cell] = known
            else:
                self._block(stage.block)
        return self

    # -- terms -----------------------------------------------------------------------------

    def term(self, term: Term) -> Values | None:
        """Values a term may have; None for any."""
        match term:
            case Constant(value=value):
                return frozenset({value})
            case TimeConstant(milliseconds=time):
                return frozenset({ticks_up(time, self.program.period)})
            case Ref(cell=cell):
                return self._of(cell)
            case Read(signal=signal, observation=observation):
                return self._read(signal, observation)
            case Complement(operand=operand):
                inner = self.term(operand)
                return TRUTHS if inner is None else frozenset(int(not value) for value in inner)
            case Lookup(table=table, index=index):
                places = self.term(index)
                return frozenset(table) if places is None else frozenset(table[place] for place in places)
            case Operation(operator=kind, left=left, right=right):
                return self._operation(kind, self.term(left), self.term(right))

    def _of(self, cell: Cell) -> Values | None:
        if cell in self.values:
            return self.values[cell]
        return frozenset(range(cell.low, cell.high + 1)) if cell.high - cell.low < MOST_VALUES else None

    def _read(self, signal: str, observation: Observation) -> Values:
        level = self.inputs.get(signal)
        if level is None:
            return TRUTHS
        match observation:
            case Observation.LEVEL:
                return frozenset({level})
            case Observation.FELL:
                return TRUTHS if level == 0 else ZERO
            case _:  # rose, held: possible while the level is on
                return TRUTHS if level == 1 else ZERO

    @staticmethod
    def _operation(kind: Operator, left: Values | None, right: Values | None) -> Values | None:
        if left is None or right is None or len(left) * len(right) > MOST_VALUES:
            for known in (left, right):
                if kind is Operator.AND and known == ZERO:
                    return ZERO
                if kind is Operator.OR and known is not None and 0 not in known:
                    return frozenset({1})
            return TRUTHS if kind in _GIVES_TRUTH else None
        return frozenset(_APPLY[kind](a, b) for a in left for b in right)

    # -- statements ------------------------------------------------------------------------

    def _block(self, block: Block) -> None:
        for statement in block:
            match statement:
                case Assign(cell=cell, value=value):
                    self._assign(cell, self.term(value))
                case If(condition=condition, then=then, otherwise=otherwise):
                    truth = self.term(condition)
                    arms = [] if truth == ZERO else [(self.values, then)]
                    if truth is None or 0 in truth:
                        arms.append((self.values, otherwise))
                    self._join(arms)
                case Switch(cell=cell, arms=choices):
                    known = self._of(cell)
                    blocks = dict(choices)
                    places = blocks if known is None else known
                    arms = [
                        ({**self.values, cell: frozenset({place})}, blocks.get(place, ())) for place in places
                    ]
                    if known is None:
                        arms.append((self.values, ()))
                    before = self._of(cell)
                    self._join(arms)
                    if before is not None:
                        self.values[cell] = before
                case Note() | Remark():
                    pass
                case _:
                    raise AssertionError(f"a controller has no {type(statement).__name__}")

    def _assign(self, cell: Cell, value: Values | None) -> None:
        if value is None:
            self.values.pop(cell, None)
        else:
            self.values[cell] = value

    def _join(self, arms: list[tuple[dict[Cell, Values], Block]]) -> None:
        """Runs each arm from its own values; afterwards each cell holds what any arm left in it."""
        ends: list[dict[Cell, Values]] = []
        for values, block in arms:
            self.values = dict(values)
            self._block(block)
            ends.append(self.values)
        common = set(ends[0]).intersection(*ends[1:])
        self.values = {cell: frozenset().union(*(end[cell] for end in ends)) for cell in common}
