"""Turns a lowered condition back into words, with the values of one moment.

The inverse of ``lowering`` for the shapes it produces: a comparison of a sequence's active
cell is a state, the cells of an observer are the ``rising``, ``falling`` or ``held`` of its
text, everything else reads as it was written.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..errors import ProgramFault
from ..expressions.durations import format_duration, format_elapsed
from ..expressions.expression import Operator
from ..machine_file.field_types import Milliseconds
from ..program.controller_program import ControllerProgram, Observer, Signal
from ..program.evaluate import BlockCompiler, Layout, Values
from ..program.program import (
    FALSE,
    TRUE,
    Cell,
    Complement,
    Constant,
    Observation,
    Operation,
    Read,
    Ref,
    Role,
    Term,
    TimeConstant,
)
from .history import ValueHistory
from .reasons import Clause, Connective

_JOINTS = {Operator.AND: Connective.ALL, Operator.OR: Connective.ANY}
_OF_TRUTHS = (Operator.AND, Operator.OR, Operator.XOR)
_FUNCTIONS = {Observation.ROSE: "rising", Observation.FELL: "falling"}


@dataclass(frozen=True, slots=True)
class Moment:
    """Values, since when they have been so, and the time they are looked at.

    ``values`` may be those of a scan that was only tried; ``settled`` are the last real ones.
    """

    values: Values
    settled: Values
    history: ValueHistory
    now: Milliseconds

    def lasting(self, cell: Cell) -> Milliseconds | None:
        """How long the cell has had its value: 0 if this scan changed it, None if no scan ever did."""
        slot = self.history.layout.slot(cell)
        if self.values[slot] != self.settled[slot]:
            return 0
        return self.history.lasting(self.history.since(cell), self.now)


class ClauseBuilder:
    """Makes clauses of the terms of one controller."""

    def __init__(self, program: ControllerProgram, compiler: BlockCompiler) -> None:
        self._compiler = compiler
        self._layout: Layout = compiler.layout
        self._period = program.period
        self._signals = {signal.name: signal for signal in program.signals}
        self._sequences = {sequence.active: sequence for sequence in program.sequences}
        self._counters = {cell for cell, _ in program.bounds_marks}
        self._names = dict(program.memory)
        for output in program.outputs:
            self._names |= {output.demand: output.name, output.asked: output.name}
        self._edges: dict[Term, tuple[str, Observer]] = {}
        self._runs: dict[Cell, Observer] = {}
        for observer in program.observers:
            now, was = Ref(observer.now), Ref(observer.was)
            self._edges[Operation(Operator.AND, now, Complement(was))] = ("rising", observer)
            self._edges[Operation(Operator.AND, was, Complement(now))] = ("falling", observer)
            self._runs[observer.run] = observer

    def clause(self, term: Term, moment: Moment) -> Clause:
        """The tree of a truth."""
        if isinstance(term, Operation) and term.operator in _JOINTS and term not in self._edges:
            joint = _JOINTS[term.operator]
            parts = tuple(self.clause(part, moment) for part in _flat(term, term.operator, self._edges))
            return Clause(self.text(term), self._value(term, moment) != 0, joint, parts)
        if isinstance(term, Complement):
            part = self.clause(term.operand, moment)
            return Clause(self.text(term), not part.holds, Connective.NOT, (part,))
        return self._leaf(term, moment)

    def text(self, term: Term, *, number: bool = False) -> str:
        """A term as a machine file would say it; 1 is ``true`` unless it stands for a number."""
        if term in self._edges:
            function, observer = self._edges[term]
            return f"{function}({observer.text})"
        match term:
            case Constant(value=value):
                return str(value) if number or term not in (TRUE, FALSE) else "true" if value else "false"
            case Ref(cell=cell):
                return self._names[cell]
            case Read(signal=name, observation=Observation.LEVEL):
                return name
            case Read(signal=name, observation=Observation.HELD, milliseconds=milliseconds):
                return f"held({name}, {format_duration(milliseconds)})"
            case Read(signal=name, observation=observation):
                return f"{_FUNCTIONS[observation]}({name})"
            case Complement(operand=operand):
                return f"not {self._bracketed(operand)}"
            case Operation():
                return self._state_text(term) or self._held_text(term) or self._operation_text(term)
            case _:
                raise ProgramFault(f"a controller's condition holds {term!r}")

    def _operation_text(self, term: Operation) -> str:
        sides = (term.left, term.right)
        number = term.operator not in _OF_TRUTHS and not any(self._is_truth(side) for side in sides)
        left = self._bracketed(term.left, around=term.operator, number=number)
        return f"{left} {term.operator.value} {self._bracketed(term.right, number=number)}"

    def _is_truth(self, term: Term) -> bool:
        """Whether a term can only be a truth."""
        match term:
            case Constant():
                return term is TRUE or term is FALSE  # a number of the file is a constant of its own
            case Ref(cell=cell):
                return cell not in self._counters
            case Operation(operator=Operator.ADD | Operator.SUB):
                return False
        return True

    def _bracketed(self, term: Term, *, around: Operator | None = None, number: bool = False) -> str:
        """In brackets if it is an operation, but for a left chain of one operator."""
        text = self.text(term, number=number)
        plain = not isinstance(term, Operation) or term in self._edges
        if plain or self._state_text(term) or self._held_text(term):
            return text
        chained = around in _JOINTS and isinstance(term, Operation) and term.operator is around
        return text if chained else f"({text})"

    def _state_text(self, term: Term) -> str | None:
        match term:
            case Operation(operator=Operator.EQ, left=Ref(cell=cell), right=Constant(value=number)):
                sequence = self._sequences.get(cell)
                return f"{sequence.name}.{sequence.states[number]}" if sequence else None
        return None

    def _held_text(self, term: Term) -> str | None:
        match term:
            case Operation(left=Ref(cell=cell), right=TimeConstant(milliseconds=milliseconds)):
                return f"held({self._runs[cell].text}, {format_duration(milliseconds)})"
        return None

    # -- leaves ----------------------------------------------------------------------------

    def _leaf(self, term: Term, moment: Moment) -> Clause:
        holds = self._value(term, moment) != 0
        text = self.text(term)
        if term in self._edges:
            observer = self._edges[term][1]
            return Clause(text, holds, note=self._course(observer.text, observer.now, moment))
        match term:
            case Ref(cell=cell):
                return Clause(text, holds, lasting=moment.lasting(cell))
            case Read(signal=name, observation=Observation.LEVEL):
                signal = self._signals[name]
                lasting = moment.lasting(signal.level)
                return Clause(text, holds, lasting=lasting, note=self._pending(signal, moment))
            case Read(signal=name):
                signal = self._signals[name]
                note = self._course(name, signal.level, moment)
                return Clause(text, holds, note=note)
            case Operation(left=Ref(cell=cell), right=TimeConstant()):
                observer = self._runs[cell]
                return Clause(text, holds, note=self._course(observer.text, observer.now, moment))
            case Operation(left=Ref(cell=cell), right=Constant(value=number)) if self._state_text(term):
                left = moment.history.lasting(moment.history.left(cell, number), moment.now)
                return Clause(text, holds, lasting=moment.lasting(cell) if holds else left)
            case Operation(left=left, right=right):
                return Clause(text, holds, note=self._operands((left, right), moment))
            case _:
                return Clause(text, holds)

    def _course(self, text: str, now: Cell, moment: Moment) -> str:
        """What an edge or hold is about: the argument's truth and how long it has had it."""
        truth = "true" if moment.values[self._layout.slot(now)] else "false"
        lasting = moment.lasting(now)
        subject = f"({text})" if " " in text else text
        if lasting is None:
            return f"{subject} has been {truth} all along"
        if lasting:
            return f"{subject} has been {truth} for {format_elapsed(lasting)}"
        return f"{subject} has just become {truth}"

    def _pending(self, signal: Signal, moment: Moment) -> str:
        """That the circuit already says something else, which debounce has not accepted yet."""
        pin = moment.values[self._layout.slot(signal.pin)]
        circuit = pin ^ int(signal.active_low)
        if circuit == moment.values[self._layout.slot(signal.level)]:
            return ""
        return f"its circuit {'conducts' if circuit else 'is open'} already, debounce has not accepted it"

    def _operands(self, terms: tuple[Term, ...], moment: Moment) -> str:
        """The values of what a comparison reads."""
        notes: dict[str, str] = {}
        for term in terms:
            for leaf in _readings(term, self._edges):
                value = self._value(leaf, moment)
                number = isinstance(leaf, Ref) and leaf.cell in self._counters
                said = str(value) if number else ("true" if value else "false")
                notes[self.text(leaf)] = said
        return ", ".join(f"{text} is {value}" for text, value in notes.items())

    def _value(self, term: Term, moment: Moment) -> int:
        return self._compiler.term(term)(moment.values)


def _flat(term: Term, operator: Operator, leaves: dict[Term, tuple[str, Observer]]) -> list[Term]:
    """The operands of a chain of one operator, left to right."""
    if isinstance(term, Operation) and term.operator is operator and term not in leaves:
        return [*_flat(term.left, operator, leaves), *_flat(term.right, operator, leaves)]
    return [term]


def _readings(term: Term, leaves: dict[Term, tuple[str, Observer]]) -> list[Term]:
    """What a term reads: signals, states, memory, outputs, edges and holds, left to right."""
    match term:
        case _ if term in leaves:
            return [term]
        case Constant() | TimeConstant():
            return []
        case Complement(operand=operand):
            return _readings(operand, leaves)
        case Operation(operator=Operator.EQ, left=Ref(cell=cell), right=Constant()) if (
            cell.role is Role.STATE
        ):
            return [term]
        case Operation(right=TimeConstant()):
            return [term]
        case Operation(left=left, right=right):
            return [*_readings(left, leaves), *_readings(right, leaves)]
        case _:
            return [term]
