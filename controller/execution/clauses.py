"""Turns a lowered condition back into words, with the values of one moment.

The inverse of ``lowering`` for the shapes it produces: a comparison of a sequence's active
cell is a state, the cells of an observer are the ``rising``, ``falling`` or ``held`` of its
text, everything else reads as it was written. The tree as it stands in the file is walked beside
the term where it is known: it has the names of conditions, which the term has not.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from ..errors import ProgramFault
from ..expressions.durations import format_duration, format_elapsed
from ..expressions.expression import (
    Binary,
    EdgeOf,
    Expression,
    HeldFor,
    Name,
    Not,
    Operator,
    canonical,
)
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
from .written_conditions import WrittenConditions

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

    def __init__(
        self, program: ControllerProgram, compiler: BlockCompiler, written: WrittenConditions
    ) -> None:
        self._compiler, self._written = compiler, written
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

    def guard(self, term: Term, moment: Moment, place: tuple[str, str, int, bool]) -> Clause:
        """The tree of a guard; its place is sequence, state, number, and whether it is an override."""
        sequence, state, number, override = place
        return self.clause(term, moment, self._written.guard(sequence, state, number, override=override))

    def clause(self, term: Term, moment: Moment, tree: Expression | None = None) -> Clause:
        """The tree of a truth, which stands in the file as ``tree``."""
        named = self._named(tree)
        if named is not None:
            name, meaning = named
            inner = self.clause(term, moment, meaning)
            return Clause(name, inner.holds, Connective.NAMED, (inner,))
        if isinstance(term, Operation) and term.operator in _JOINTS and term not in self._edges:
            joint = _JOINTS[term.operator]
            parts = tuple(
                self.clause(part, moment, below) for part, below in self._flat(term, tree, term.operator)
            )
            return Clause(self.text(term, tree), self._value(term, moment) != 0, joint, parts)
        if isinstance(term, Complement):
            part = self.clause(term.operand, moment, _below(tree)[0])
            return Clause(self.text(term, tree), not part.holds, Connective.NOT, (part,))
        return self._leaf(term, moment, tree)

    def _named(self, tree: Expression | None) -> tuple[str, Expression] | None:
        """The named condition that a tree is, and what it stands for."""
        if isinstance(tree, Name) and tree.path in self._written.conditions:
            return tree.path, self._written.conditions[tree.path]
        return None

    def _flat(
        self, term: Term, tree: Expression | None, operator: Operator
    ) -> Iterator[tuple[Term, Expression | None]]:
        """The operands of a chain of one operator, left to right; a named condition is one of them."""
        chained = isinstance(term, Operation) and term.operator is operator and term not in self._edges
        if isinstance(term, Operation) and chained and self._named(tree) is None:
            left, right = _below(tree)
            yield from self._flat(term.left, left, operator)
            yield from self._flat(term.right, right, operator)
        else:
            yield term, tree

    def text(self, term: Term, tree: Expression | None = None, *, number: bool = False) -> str:
        """A term as a machine file would say it; 1 is ``true`` unless it stands for a number."""
        named = self._named(tree)
        if named is not None:
            return named[0]
        if term in self._edges:
            function, observer = self._edges[term]
            return f"{function}({_argument(tree) or observer.text})"
        match term:
            case Constant(value=value):
                return str(value) if number or term not in (TRUE, FALSE) else "true" if value else "false"
            case Ref(cell=cell):
                return self._names[cell]
            case Read(signal=name, observation=Observation.LEVEL):
                return name
            case Read(signal=name, observation=Observation.HELD, milliseconds=milliseconds):
                return f"held({_argument(tree) or name}, {format_duration(milliseconds)})"
            case Read(signal=name, observation=observation):
                return f"{_FUNCTIONS[observation]}({_argument(tree) or name})"
            case Complement(operand=operand):
                return f"not {self._bracketed(operand, _below(tree)[0])}"
            case Operation():
                return (
                    self._state_text(term) or self._held_text(term, tree) or self._operation_text(term, tree)
                )
            case _:
                raise ProgramFault(f"a controller's condition holds {term!r}")

    def _operation_text(self, term: Operation, tree: Expression | None) -> str:
        sides = (term.left, term.right)
        number = term.operator not in _OF_TRUTHS and not any(self._is_truth(side) for side in sides)
        one, other = _below(tree)
        left = self._bracketed(term.left, one, around=term.operator, number=number)
        return f"{left} {term.operator.value} {self._bracketed(term.right, other, number=number)}"

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

    def _bracketed(
        self,
        term: Term,
        tree: Expression | None,
        *,
        around: Operator | None = None,
        number: bool = False,
    ) -> str:
        """In brackets if it is an operation, but for a left chain of one operator."""
        text = self.text(term, tree, number=number)
        plain = not isinstance(term, Operation) or term in self._edges or self._named(tree) is not None
        if plain or self._state_text(term) or self._held_text(term, tree):
            return text
        chained = around in _JOINTS and isinstance(term, Operation) and term.operator is around
        return text if chained else f"({text})"

    def _state_text(self, term: Term) -> str | None:
        match term:
            case Operation(operator=Operator.EQ, left=Ref(cell=cell), right=Constant(value=number)):
                sequence = self._sequences.get(cell)
                return f"{sequence.name}.{sequence.states[number]}" if sequence else None
        return None

    def _held_text(self, term: Term, tree: Expression | None) -> str | None:
        match term:
            case Operation(left=Ref(cell=cell), right=TimeConstant(milliseconds=milliseconds)):
                text = _argument(tree) or self._runs[cell].text
                return f"held({text}, {format_duration(milliseconds)})"
        return None

    # -- leaves ----------------------------------------------------------------------------

    def _leaf(self, term: Term, moment: Moment, tree: Expression | None) -> Clause:
        holds = self._value(term, moment) != 0
        text = self.text(term, tree)
        argument = _argument(tree)
        if term in self._edges:
            observer = self._edges[term][1]
            return Clause(text, holds, note=self._course(argument or observer.text, observer.now, moment))
        match term:
            case Ref(cell=cell):
                return Clause(text, holds, lasting=moment.lasting(cell))
            case Read(signal=name, observation=Observation.LEVEL):
                signal = self._signals[name]
                lasting = moment.lasting(signal.level)
                return Clause(text, holds, lasting=lasting, note=self._pending(signal, moment))
            case Read(signal=name):
                signal = self._signals[name]
                note = self._course(argument or name, signal.level, moment)
                return Clause(text, holds, note=note)
            case Operation(left=Ref(cell=cell), right=TimeConstant()):
                observer = self._runs[cell]
                note = self._course(argument or observer.text, observer.now, moment)
                return Clause(text, holds, note=note)
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


def _below(tree: Expression | None) -> tuple[Expression | None, Expression | None]:
    """What stands below a tree, left and right, as far as it is known."""
    match tree:
        case Not(operand=operand):
            return operand, None
        case Binary(left=left, right=right):
            return left, right
    return None, None


def _argument(tree: Expression | None) -> str:
    """What stands in the brackets of rising, falling or held; nothing if that is not known."""
    return canonical(tree.argument) if isinstance(tree, EdgeOf | HeldFor) else ""


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
