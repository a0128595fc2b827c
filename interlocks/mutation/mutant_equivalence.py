"""Which weakenings change anything at all: one search tells it of all of them.

In a controller with switches (``mutants``) every condition is computed as the file has it, and
beside it once for each switch it reads, as if that one were on. Where the two come to differ, the
switch is marked; the machine itself goes on as the file has it::

    if (guard)          becomes        if (guard != guard with s1 on) mark s1
                                       if (guard != guard with s2 on) mark s2
                                       if (guard)

Invariant: as long as no mark of a switch is set, no value computed so far would be another one with
that switch on. So if a complete search does not mark it, the weakened machine reaches the same
situations by the same steps, and every verdict is that of the machine as it is: the weakening cannot be
noticed. A mark says nothing but that the weakened machine is worth a search of its own.

The same under a single fault: what is not marked in the search that allows the fault has no effect
under it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace

from stillgate.controller.expressions.expression import Operator
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Assign,
    Block,
    Complement,
    Constant,
    ControllerProgram,
    If,
    Lookup,
    Note,
    NoteKind,
    Operation,
    Read,
    Statement,
    Switch,
    Term,
    walk_term,
)

from .mutants import is_switch


@dataclass(frozen=True)
class Effects:
    """Switches that change something, without faults and under each single fault, by its number.

    A fault that was not looked at, or not to the end, is missing. Power and the faults of outputs
    begin only after something was decided, so what a weakening changes before counts without faults.
    """

    without: frozenset[str]
    under: dict[int, frozenset[str]]

    def any(self, switch: str, faults: Iterable[int]) -> list[int]:
        """Those of the faults under which a weakening may behave differently from the file."""
        if switch in self.without:
            return list(faults)
        return [fault for fault in faults if switch in self.under.get(fault, {switch})]


def probing(program: ControllerProgram) -> tuple[ControllerProgram, dict[str, int]]:
    """The controller as the file has it, which marks every switch that would change something.

    Returns:
        The controller, and the coverage index of each switch.
    """
    switches = sorted(
        {
            node.signal
            for stage in program.stages
            for node in _reads((*program.observe, *stage.block))
            if is_switch(node.signal)
        },
        key=lambda name: (len(name), name),
    )
    first = len(program.exit_marks)
    marks = {name: first + number for number, name in enumerate(switches)}
    return (
        replace(
            program,
            exit_marks=(*program.exit_marks, *switches),
            observe=_block(program.observe, marks),
            stages=tuple(replace(stage, block=_block(stage.block, marks)) for stage in program.stages),
        ),
        marks,
    )


def _reads(block: Block) -> Iterator[Read]:
    for statement in block:
        for term in _terms(statement):
            yield from (node for node in walk_term(term) if isinstance(node, Read))
        match statement:
            case If(then=then, otherwise=otherwise):
                yield from _reads((*then, *otherwise))
            case Switch(arms=arms):
                for _, arm in arms:
                    yield from _reads(arm)
            case _:
                pass


def _terms(statement: Statement) -> tuple[Term, ...]:
    match statement:
        case Assign(value=value):
            return (value,)
        case If(condition=condition):
            return (condition,)
        case _:
            return ()


def _block(block: Block, marks: dict[str, int]) -> Block:
    made: list[Statement] = []
    for statement in block:
        for term in _terms(statement):
            made += _compared(term, marks)
        match statement:
            case Assign(cell=cell, value=value):
                made.append(Assign(cell, told(value, ())))
            case If(condition=condition, then=then, otherwise=otherwise):
                made.append(If(told(condition, ()), _block(then, marks), _block(otherwise, marks)))
            case Switch(cell=cell, arms=arms):
                made.append(Switch(cell, tuple((number, _block(arm, marks)) for number, arm in arms)))
            case _:
                made.append(statement)
    return tuple(made)


def _compared(term: Term, marks: dict[str, int]) -> list[Statement]:
    """Marks for each switch of a term that would make another value of it."""
    plain = told(term, ())
    found: list[Statement] = []
    for name in dict.fromkeys(node.signal for node in walk_term(term) if isinstance(node, Read)):
        if name in marks and (other := told(term, (name,))) != plain:
            differs = Operation(Operator.NE, plain, other)
            found.append(If(differs, (Note(NoteKind.COVERED, marks[name]),)))
    return found


def told(term: Term, on: Collection[str]) -> Term:
    """The term with its switches answered: those in ``on`` are on, all others off."""
    match term:
        case Read(signal=name) if is_switch(name):
            return TRUE if name in on else FALSE
        case Complement(operand=operand):
            inner = told(operand, on)
            return Constant(int(not inner.value)) if isinstance(inner, Constant) else Complement(inner)
        case Operation(operator=operator, left=left, right=right):
            return _joined(operator, told(left, on), told(right, on))
        case Lookup(table=table, index=index):
            return Lookup(table, told(index, on))
        case _:
            return term


def _joined(operator: Operator, left: Term, right: Term) -> Term:
    """An operation; AND and OR with a side that is known are that side or the other one."""
    if operator in (Operator.AND, Operator.OR):
        deciding = FALSE if operator is Operator.AND else TRUE
        neutral = TRUE if operator is Operator.AND else FALSE
        if deciding in (left, right):
            return deciding
        if left == neutral:
            return right
        if right == neutral:
            return left
    return Operation(operator, left, right)
