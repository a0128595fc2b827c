"""The self-check of a Program: that it keeps what every reader of it leans on.

A Program that breaks one of these is a defect of whoever made it, never of a user's file. The tests ask
after every Program that is made while they run; a user's run does not, since it would say nothing new.

What is checked:

* names tell cells apart, ranges are not empty and hold the start value;
* truths are where truths belong (operands of and, or, xor and not; conditions), an index lies in its
  table, a value that is copied can lie in its cell's range, arms and options are values of their cell;
* a cell that does not persist is written in every step before it is read, in the order of the scan;
* until all exits are decided nothing that persists is written, so all guards read scan-start values;
* marks are dense: each exit has its own, in order, and is noted once; so are counters' bounds;
* every cell that counts ticks is a clock, and every clock is a stored cell;
* targets, start states, arms of sequences, permits and demands name what is there.

An input that is read and not declared is answered from outside; such a name has two underscores in a row.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping

from ..expressions.expression import Operator
from ..machine_file.field_types import Milliseconds
from .clocks import Clock
from .controller_program import ControllerProgram, SequenceProgram, Signal
from .footprint import Footprint, cells_read, cells_written
from .program import (
    Assign,
    Begin,
    Block,
    Cell,
    Choose,
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
    Role,
    Statement,
    Switch,
    Term,
    TimeConstant,
    statements_in,
    ticks_up,
)

Range = tuple[int, int]

_TRUTH: Range = (0, 1)
_OF_TRUTHS = (Operator.AND, Operator.OR, Operator.XOR)


class InconsistentProgram(AssertionError):  # noqa: N818
    """A Program that breaks an invariant: a defect of the program that made it."""


def require(condition: object, said: str, about: Term | None = None) -> None:
    """Raises unless the condition is true.

    Args:
        about: the term that is wrong; its text is made only then, since it may be long.

    Raises:
        InconsistentProgram: with what is wrong.
    """
    if not condition:
        raise InconsistentProgram(said if about is None else f"{said}: {about}")


def is_told(name: str) -> bool:
    """Whether a name of an input is one that we made, which is answered from outside."""
    return "__" in name


class BlockCheck:
    """Checks statements one by one, and that the same name is the same cell in all of them.

    Args:
        signals: the inputs that are answered from cells or histories.
        period: which times become ticks of.
    """

    def __init__(self, signals: Mapping[str, Signal], period: Milliseconds) -> None:
        self.signals = signals
        self.period = period
        self.cells: dict[str, Cell] = {}

    def cell(self, cell: Cell) -> None:
        """Takes a cell in."""
        known = self.cells.get(cell.name)
        if known is None:
            require(cell.low <= cell.start <= cell.high, f"{cell.name} starts outside its range")
            self.cells[cell.name] = cell
        elif known is not cell:
            require(known == cell, f"two cells are named {cell.name}")

    def block(self, block: Block) -> None:
        """Takes in every statement of a block, at every depth."""
        for statement in statements_in(block):
            self._statement(statement)

    def _statement(self, statement: Statement) -> None:
        match statement:
            case Assign(cell=cell, value=value):
                self.cell(cell)
                low, high = self.term(value)
                if not isinstance(
                    value, Operation
                ):  # a count is kept within its range by what stands around it
                    require(low <= cell.high and cell.low <= high, f"{cell.name} is given {low}..{high}")
            case If(condition=condition):
                self.truth(condition)
            case Switch(cell=cell, arms=arms):
                self.cell(cell)
                self._values(cell, [number for number, _ in arms])
            case Choose(cell=cell, count=count):
                self.cell(cell)
                self._values(cell, range(count))
            case Begin(cell=cell, options=options):
                self.cell(cell)
                self._values(cell, [0, *(value for _, value in options)])
                for condition, _ in options:
                    self.truth(condition)
            case _:
                pass

    def _values(self, cell: Cell, values: Iterable[int]) -> None:
        found = list(values)
        require(len(set(found)) == len(found), f"{cell.name} has one value twice")
        require(all(cell.low <= value <= cell.high for value in found), f"{cell.name} has no value {found}")

    def truth(self, term: Term) -> None:
        """A term that must be 0 or 1."""
        require(_within(self.term(term), _TRUTH), "no truth", term)

    def term(self, term: Term) -> Range:
        """Smallest and largest value a term can take."""
        match term:
            case Constant(value=value):
                return value, value
            case TimeConstant(milliseconds=milliseconds):
                ticks = ticks_up(milliseconds, self.period)
                return ticks, ticks
            case Ref(cell=cell):
                self.cell(cell)
                return cell.low, cell.high
            case Read():
                self._read(term)
                return _TRUTH
            case Complement(operand=operand):
                self.truth(operand)
                return _TRUTH
            case Lookup(table=table, index=index):
                require(_within(self.term(index), (0, len(table) - 1)), "an index outside its table", term)
                return min(table), max(table)
            case Operation(operator=operator, left=left, right=right):
                (a, b), (c, d) = self.term(left), self.term(right)
                if operator is Operator.ADD:
                    return a + c, b + d
                if operator is Operator.SUB:
                    return a - d, b - c
                if operator in _OF_TRUTHS:
                    require(_within((a, b), _TRUTH) and _within((c, d), _TRUTH), "not of truths", term)
                return _TRUTH

    def _read(self, term: Read) -> None:
        signal = self.signals.get(term.signal)
        if signal is None:
            require(is_told(term.signal), f"{term.signal} is read and is no input")
            return
        held = term.observation is Observation.HELD
        require(held or not term.milliseconds, "a preset time for what is not held", term)
        if held:
            require(signal.run is not None, f"{term.signal} is held and nothing counts it")
        if term.observation in (Observation.ROSE, Observation.FELL):
            require(signal.was is not None, f"{term.signal} has an edge and no level before")


def _within(inner: Range, outer: Range) -> bool:
    return outer[0] <= inner[0] and inner[1] <= outer[1]


def assert_consistent(program: ControllerProgram) -> None:
    """That a controller's Program keeps its invariants.

    Raises:
        InconsistentProgram: with the first that it breaks.
    """
    signals = {item.name: item for item in program.signals}
    require(len(signals) == len(program.signals), "two inputs have one name")
    check = BlockCheck(signals, program.period)
    for cell in program.cells:
        check.cell(cell)
    stored = set(program.cells)
    require(len(stored) == len(program.cells), "a stored cell is listed twice")
    require(all(cell.persistent for cell in stored), "a cell of one step is listed as stored")
    for signal in program.signals:
        _check_signal(check, signal)
    for observer in program.observers:
        check.truth(observer.argument)
    check.block((*program.observe, *program.decide))
    for sequence in program.sequences:
        _check_sequence(check, sequence)
    _check_outputs(check, program)
    _check_order(program, signals, stored)
    _check_marks(program)
    assert_clocks(program.clocks, stored, check)


def _check_signal(check: BlockCheck, signal: Signal) -> None:
    check.block(signal.sense)
    own = {signal.pin, signal.level, *signal.memory, *(item for item in (signal.was, signal.run) if item)}
    touched = cells_read(signal.sense) | set(cells_written(signal.sense))
    require(touched <= own, f"sensing {signal.name} touches what is not its own")
    require(signal.run is None or signal.run in signal.memory, f"what {signal.name} counts is not stored")


def _check_sequence(check: BlockCheck, item: SequenceProgram) -> None:
    count = len(item.states)
    require((item.active.low, item.active.high) == (0, count), f"{item.name} has more states or fewer")
    require(item.active.start == item.start < count, f"{item.name} starts in no state")
    require(len(item.exits) == count, f"{item.name} has exits of other states")
    for way in (*item.overrides, *(way for ways in item.exits for way in ways)):
        require(0 <= way.target < count, f"an exit of {item.name} leads nowhere")
        require(way.after is None or item.elapsed is not None, f"{item.name} waits and counts no time")
        check.truth(way.guard)
        for cell, value in way.actions:
            require(cell.role is Role.MEMORY, f"an action of {item.name} writes {cell.name}")
            check.term(value)


def _check_outputs(check: BlockCheck, program: ControllerProgram) -> None:
    states = {(item.name, state) for item in program.sequences for state in item.states}
    for output in program.outputs:
        require(set(output.demanded_by) <= states, f"{output.name} is demanded by no state")
        numbers = [number for number, _ in output.permits]
        require(numbers == sorted(set(numbers)), f"the interlocks of {output.name} are in no order")
        for _, permit in output.permits:
            check.truth(permit)


def _check_order(program: ControllerProgram, signals: Mapping[str, Signal], stored: set[Cell]) -> None:
    """What one scan reads of the scan before it is stored, and nothing stored is written too early."""
    footprint = Footprint(signals)
    written: frozenset[Cell] = frozenset()
    for signal in program.signals:
        written = footprint.block(signal.sense, written)
    footprint.block((*program.observe, *program.decide), written)
    pins = {signal.pin for signal in program.signals}
    for key in footprint.reads:
        if isinstance(key, Cell):
            require(key in stored or key in pins, f"{key.name} is read before it is written")
    for cell in footprint.writes:
        require(not cell.persistent or cell in stored, f"{cell.name} persists and is not stored")
    for stage in program.stages[:-1]:
        for cell in cells_written(stage.block):
            require(not cell.persistent, f"{cell.name} is written before all exits are decided")


def _check_marks(program: ControllerProgram) -> None:
    ways = [
        way
        for item in program.sequences
        for way in (*item.overrides, *(way for ways in item.exits for way in ways))
    ]
    marks = [way.mark for way in ways]
    require(sorted(marks) == list(range(len(ways))), "marks of exits are not dense")
    require(len(marks) <= len(program.exit_marks), "an exit's mark means nothing")
    bounds = len(program.bounds_marks)
    require([index for _, index in program.bounds_marks] == list(range(bounds)), "marks of bounds not dense")
    require(all(cell in program.memory for cell, _ in program.bounds_marks), "bounds of what is no memory")
    require(all({*pair} <= {*marks} for pair in program.overlap_marks), "an overlap of what is no exit")
    notes = Counter(
        (item.kind, item.index)
        for item in statements_in((*program.observe, *program.decide))
        if isinstance(item, Note)
    )
    for kind, index in notes:
        covered = kind is NoteKind.COVERED
        most = len(program.exit_marks) if covered else bounds + len(program.overlap_marks)
        require(0 <= index < most, f"{kind.value} {index} means nothing")
    require(all(notes[NoteKind.COVERED, mark] == 1 for mark in marks), "an exit is not noted once")


def assert_clocks(clocks: Iterable[Clock], stored: set[Cell], check: BlockCheck) -> None:
    """That clocks are stored cells with limits, each listed once, and that what counts ticks is one.

    Raises:
        InconsistentProgram: if not.
    """
    found = list(clocks)
    cells = {item.cell for item in found}
    require(len(cells) == len(found), "a clock is listed twice")
    for item in found:
        require(item.cell in stored, f"the clock {item.cell.name} is not stored")
        require(item.cell.low == 0, f"the clock {item.cell.name} does not begin with 0")
        low, high = check.term(item.limit)
        require(0 <= low <= high, f"the clock {item.cell.name} has no limit")
    for cell in stored:
        require(cell.role is not Role.TIME or cell in cells, f"{cell.name} counts ticks and is no clock")
