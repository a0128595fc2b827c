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

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace

from stillgate.controller.expressions.expression import Operator
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.footprint import signals_read
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Block,
    Complement,
    Constant,
    If,
    Note,
    NoteKind,
    Operation,
    Read,
    Statement,
    Term,
    terms_of,
    walk_term,
)
from stillgate.controller.program.program_map import map_block, map_term

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
    read = signals_read((*program.observe, *program.decide))
    switches = sorted(filter(is_switch, read), key=lambda name: (len(name), name))
    first = len(program.exit_marks)
    marks = {name: first + number for number, name in enumerate(switches)}

    def marked(statement: Statement) -> Block:
        return (*(mark for term in terms_of(statement) for mark in _compared(term, marks)), statement)

    def block(given: Block) -> Block:
        return map_block(given, term=lambda node: answered(node, ()), statement=marked)

    # The exits keep their switches: what is kept alive for an exit must be so under each of them.
    probe = replace(
        program,
        exit_marks=(*program.exit_marks, *switches),
        observe=block(program.observe),
        stages=tuple(replace(stage, block=block(stage.block)) for stage in program.stages),
    )
    return probe, marks


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
    return map_term(term, lambda node: answered(node, on))


def answered(node: Term, on: Collection[str]) -> Term:
    """A node whose operands are answered already, as simple as they make it."""
    match node:
        case Read(signal=name) if is_switch(name):
            return TRUE if name in on else FALSE
        case Complement(operand=Constant(value=value)):
            return Constant(int(not value))
        case Operation(operator=operator, left=left, right=right):
            return _joined(operator, left, right)
        case _:
            return node


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
