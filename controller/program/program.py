"""The typed integer step program: the one form that every other form is derived from.

A program is a list of statements over integer cells. Executive, C, exploration and
formulas all read these same statements, so the meaning of a machine is defined once,
in the lowerings that produce them.

Invariants; those that can be looked at in a Program are checked by ``program_check.assert_consistent``:
* every cell has a finite range, and truths are the cells with range 0..1;
* a cell either persists from step to step or is written before it is read in every step;
* choices are asked only where a value is first needed (``Choose`` and ``Read``), so a value
  that nothing reads is never asked for;
* ``and`` and ``or`` evaluate left to right and stop early, in every backend, because the
  order of questions is part of the meaning of an exploration.

Times stay in milliseconds inside expressions (``TimeConstant``) and become ticks of the
period in use when a backend evaluates them, so one program text serves every period.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from ..expressions.expression import Operator
from ..machine_file.field_types import Milliseconds, Ticks


class Scope(Enum):
    """Who owns a cell; a loss of power resets the controller's and no other."""

    CONTROLLER = "controller"
    PART = "part"
    FAULT = "fault"
    MONITOR = "monitor"


class Role(Enum):
    """What a cell is for, where that is more than holding a value within its range."""

    VALUE = "value"
    TIME = "time"  # counts ticks of the controller, whatever the period
    MEMORY = "memory"  # a bit or counter of the file, or its next value
    STATE = "state"  # number of a sequence's active state
    ASKED = "asked"  # what a write asks of memory, in its range or not


@dataclass(frozen=True, slots=True)
class Cell:
    """An integer variable with a fixed range.

    ``persistent`` cells are the state between two steps; the others live within one step.
    """

    name: str
    low: int
    high: int
    start: int
    scope: Scope
    persistent: bool = True
    role: Role = Role.VALUE

    def __hash__(self) -> int:
        return hash(self.name)  # names tell cells apart, and cells are looked up in every scan

    @property
    def is_truth(self) -> bool:
        """Whether the cell holds 0 or 1 only."""
        return self.low == 0 and self.high == 1


class ClockKind(Enum):
    """What a clock measures."""

    STATE = "time since a state of a sequence was entered"
    HELD = "how long an argument of held, rising or falling has been true"
    DEBOUNCE = "how long an input has differed from its accepted level"
    RESPONSE = "how long a requirement's answer has been waited for"
    INVARIANCE = "how long something must stay so yet"
    FAULT = "how long a fault has been there"
    PART_WAITS = "how long a part has waited"
    SOONEST = "driven time until a part may arrive"
    LATEST = "driven time until a part must arrive"


@dataclass(frozen=True, slots=True)
class Clock:
    """A cell that measures time: it changes by one a tick while it runs, and is only compared with constants.

    ``limit`` is the value from which on nothing tells values apart (a clock that counts down is at its
    end with 0). Everything that treats time apart from other values asks for these, and nothing knows a
    clock by its name or range.
    """

    cell: Cell
    kind: ClockKind
    limit: Term

    @property
    def counts_down(self) -> bool:
        """Whether it holds what remains, not what has passed."""
        return self.kind in (ClockKind.INVARIANCE, ClockKind.SOONEST, ClockKind.LATEST)

    @property
    def stops(self) -> bool:
        """Whether it keeps its value while it does not run, as what drives a part's motion does."""
        return self.kind in (ClockKind.SOONEST, ClockKind.LATEST)


class Observation(Enum):
    """What may be asked of an input in one step."""

    LEVEL = "level"  # debounced level the controller works with
    ROSE = "rose"  # R_TRIG of the level
    FELL = "fell"  # F_TRIG of the level
    HELD = "held"  # TON of the level, with a preset time
    CIRCUIT = "circuit"  # the healthy circuit, before delay, bounce and fault
    CIRCUIT_ROSE = "circuit_rose"
    CIRCUIT_FELL = "circuit_fell"


@dataclass(frozen=True, slots=True)
class Constant:
    """A whole number."""

    value: int


@dataclass(frozen=True, slots=True)
class TimeConstant:
    """Ticks that a time lasts, rounded up: the smallest n with n * period >= milliseconds."""

    milliseconds: Milliseconds


@dataclass(frozen=True, slots=True)
class Ref:
    """Value of a cell."""

    cell: Cell


@dataclass(frozen=True, slots=True)
class Read:
    """An observation of an input; answered from its cells, or chosen on demand by the check."""

    signal: str
    observation: Observation
    milliseconds: Milliseconds = 0  # preset time of HELD


@dataclass(frozen=True, slots=True)
class Complement:
    """1 if the operand is 0, else 0."""

    operand: Term


@dataclass(frozen=True, slots=True)
class Operation:
    """A binary operation; AND, OR, XOR and comparisons give 0 or 1."""

    operator: Operator
    left: Term
    right: Term


@dataclass(frozen=True, slots=True)
class Lookup:
    """Entry of a constant table; the index always lies inside it."""

    table: tuple[int, ...]
    index: Term


Term = Constant | TimeConstant | Ref | Read | Complement | Operation | Lookup

TRUE = Constant(1)
FALSE = Constant(0)


@dataclass(frozen=True, slots=True)
class Assign:
    """``cell := term``; the value must lie in the cell's range."""

    cell: Cell
    value: Term


@dataclass(frozen=True, slots=True)
class If:
    """Conditional execution."""

    condition: Term
    then: tuple[Statement, ...]
    otherwise: tuple[Statement, ...] = ()


@dataclass(frozen=True, slots=True)
class Switch:
    """Execution of the arm whose number the cell holds; no arm, nothing."""

    cell: Cell
    arms: tuple[tuple[int, tuple[Statement, ...]], ...]


@dataclass(frozen=True, slots=True)
class Choose:
    """``cell := any of 0 .. count - 1``."""

    cell: Cell
    count: int


@dataclass(frozen=True, slots=True)
class Begin:
    """``cell := 0 or any value whose condition is true``; asks only if there is one.

    Options are counted in their order, those whose condition is false left out.
    """

    cell: Cell
    options: tuple[tuple[Term, int], ...]


class NoteKind(Enum):
    """What a note reports."""

    BROKEN = "broken"  # a requirement is broken in this step
    COVERED = "covered"  # an exit was taken, a trigger happened


@dataclass(frozen=True, slots=True)
class Note:
    """Reports something to whoever runs the program; changes no cell."""

    kind: NoteKind
    index: int


@dataclass(frozen=True, slots=True)
class Remark:
    """A sentence for the reader of generated code."""

    text: str


Statement = Assign | If | Switch | Choose | Begin | Note | Remark
Block = tuple[Statement, ...]


@dataclass(frozen=True, slots=True)
class Signal:
    """An input of the controller, with what it remembers of its past.

    ``sense`` computes, from ``pin``, the cells that observations are answered from. It reads
    and writes this signal's cells only.
    """

    name: str
    pin: Cell  # local: electrical truth at the terminal, polarity not yet undone
    level: Cell  # local: debounced level
    was: Cell | None  # local: level of the previous scan, if an edge is asked for
    run: Cell | None  # persistent: scans the level has been true, saturating
    memory: tuple[Cell, ...]  # persistent cells, ``run`` included
    sense: Block
    active_low: bool


@dataclass(frozen=True, slots=True)
class ExitProgram:
    """A lowered exit or override."""

    guard: Term
    after: Milliseconds | None
    target: int
    actions: tuple[tuple[Cell, Term], ...]
    mark: int  # coverage index


@dataclass(frozen=True, slots=True)
class SequenceProgram:
    """A lowered sequence.

    ``active`` holds the number of the active state, or ``len(states)`` while power is off.
    """

    name: str
    states: tuple[str, ...]
    start: int
    active: Cell
    elapsed: Cell | None  # scans since entry, saturating; None where no exit has a time
    overrides: tuple[ExitProgram, ...]
    exits: tuple[tuple[ExitProgram, ...], ...]  # by state


@dataclass(frozen=True, slots=True)
class OutputProgram:
    """A lowered output: demanded by active states, held off unless every permit is true."""

    name: str
    demand: Cell
    asked: Cell
    demanded_by: tuple[tuple[str, str], ...]  # (sequence, state)
    permits: tuple[tuple[int, Term], ...]  # (index in the file's interlocks, condition)
    active_low: bool


@dataclass(frozen=True, slots=True)
class Observer:
    """Memory of an argument of rising, falling or held that is more than one input's name."""

    text: str
    argument: Term
    now: Cell  # local
    was: Cell  # local
    run: Cell  # persistent


@dataclass(frozen=True, slots=True)
class Stage:
    """A part of the decision that reads scan-start values: one sequence's exits, or what follows them."""

    name: str
    block: Block


@dataclass(frozen=True, slots=True)
class ControllerProgram:
    """The controller of a machine at no particular period.

    ``scan`` is the order of one scan: sense every signal, update observers, exits and their
    actions, demands, interlocks.
    """

    name: str
    period: Milliseconds  # period that cell ranges are computed for
    signals: tuple[Signal, ...]
    observers: tuple[Observer, ...]
    sequences: tuple[SequenceProgram, ...]
    memory: tuple[Cell, ...]
    outputs: tuple[OutputProgram, ...]
    bounds_marks: tuple[tuple[Cell, int], ...]  # BROKEN index of each counter's bounds
    overlap_marks: tuple[tuple[int, int], ...]  # exits noted as true at once; BROKEN, after the counters
    exit_marks: tuple[str, ...]  # what each coverage index of an exit means
    observe: Block
    stages: tuple[Stage, ...]
    clocks: tuple[Clock, ...]

    @property
    def decide(self) -> Block:
        """Exits, actions, new states, demands and interlocks: all stages, one after another."""
        return tuple(statement for stage in self.stages for statement in stage.block)

    @property
    def cells(self) -> tuple[Cell, ...]:
        """Every persistent cell, in a fixed order."""
        found = [cell for signal in self.signals for cell in signal.memory]
        found += [observer.run for observer in self.observers]
        for sequence in self.sequences:
            found.append(sequence.active)
            if sequence.elapsed is not None:
                found.append(sequence.elapsed)
        found += self.memory
        found += [output.asked for output in self.outputs]
        return tuple(found)


_MEMORY = ".value"
"""Ends the name of a cell of memory, which is told apart by it from the other cells of that name."""


def memory_cell_name(name: str) -> str:
    """Name of the cell that holds a memory of the file."""
    return name + _MEMORY


def memory_name(cell: Cell) -> str:
    """The name that the file gives the memory in a cell."""
    return cell.name.removesuffix(_MEMORY)


def ticks_up(milliseconds: Milliseconds, period: Milliseconds) -> Ticks:
    """The smallest number of periods that lasts at least the time."""
    return -(-milliseconds // period)


def conjunction(terms: tuple[Term, ...]) -> Term:
    """All terms true, asked from left to right."""
    result: Term | None = None
    for term in terms:
        result = term if result is None else Operation(Operator.AND, result, term)
    return TRUE if result is None else result


def disjunction(terms: tuple[Term, ...]) -> Term:
    """Any term true, asked from left to right."""
    result: Term | None = None
    for term in terms:
        result = term if result is None else Operation(Operator.OR, result, term)
    return FALSE if result is None else result


def terms_of(statement: Statement) -> Iterator[Term]:
    """The terms a statement evaluates itself, not those of statements inside it."""
    match statement:
        case Assign(value=value):
            yield value
        case If(condition=condition):
            yield condition
        case Begin(options=options):
            yield from (condition for condition, _ in options)
        case _:
            return


def statements_in(block: Block) -> Iterator[Statement]:
    """Every statement of a block and of the blocks inside it."""
    for statement in block:
        yield statement
        match statement:
            case If(then=then, otherwise=otherwise):
                yield from statements_in(then)
                yield from statements_in(otherwise)
            case Switch(arms=arms):
                for _, arm in arms:
                    yield from statements_in(arm)
            case _:
                pass


def walk_term(term: Term) -> Iterator[Term]:
    """Every node of a term, from the left, each before its operands."""
    # Not by recursion: each node would pass through a generator for each level above it.
    waiting = [term]
    while waiting:
        node = waiting.pop()
        yield node
        match node:
            case Complement(operand=operand) | Lookup(index=operand):
                waiting.append(operand)
            case Operation(left=left, right=right):
                waiting += (right, left)
            case _:
                pass


def terms_in(block: Block) -> Iterator[Term]:
    """Every node of every term in a block."""
    for statement in statements_in(block):
        for term in terms_of(statement):
            yield from walk_term(term)
