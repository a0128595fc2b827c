"""Rewrites a Program as a whole: the one place that knows everything a term or a statement stands in.

``program`` walks a Program to look at it, this walks it to make another one. Whoever rewrites says what
becomes of one node; that no guard, action, permit or limit is left out is looked after here.

Two kinds of change:

* ``term``: what a node of a term becomes, told after its operands have been changed, so a change can
  simplify what became simple below it;
* ``statement``: what stands in the place of a statement: none, one or several. It is asked before what is
  inside is changed, so it sees the statement as it was; what it gives back is not asked about again, but
  its terms and inner blocks are changed like all others.

The order of evaluation, which is part of a Program's meaning, stays as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace

from .controller_program import ControllerProgram, ExitProgram
from .program import Assign, Begin, Block, Complement, If, Lookup, Operation, Statement, Switch, Term

TermChange = Callable[[Term], Term]
StatementChange = Callable[[Statement], Block]


def unchanged(term: Term) -> Term:
    """Leaves every term as it is."""
    return term


def kept(statement: Statement) -> Block:
    """Leaves every statement in its place."""
    return (statement,)


def map_term(term: Term, change: TermChange) -> Term:
    """The term with every node changed, operands before what they belong to."""
    if change is unchanged:
        return term
    match term:
        case Complement(operand=operand):
            inner = map_term(operand, change)
            return change(term if inner is operand else Complement(inner))
        case Operation(operator=operator, left=left, right=right):
            first, second = map_term(left, change), map_term(right, change)
            same = first is left and second is right
            return change(term if same else Operation(operator, first, second))
        case Lookup(table=table, index=index):
            inner = map_term(index, change)
            return change(term if inner is index else Lookup(table, inner))
        case _:
            return change(term)


def map_block(block: Block, *, term: TermChange = unchanged, statement: StatementChange = kept) -> Block:
    """The block with its terms and statements changed, at every depth."""

    def inside(given: Statement) -> Statement:
        match given:
            case Assign(cell=cell, value=value):
                return Assign(cell, map_term(value, term))
            case If(condition=condition, then=then, otherwise=otherwise):
                return If(map_term(condition, term), changed(then), changed(otherwise))
            case Switch(cell=cell, arms=arms):
                return Switch(cell, tuple((number, changed(arm)) for number, arm in arms))
            case Begin(cell=cell, options=options):
                return Begin(cell, tuple((map_term(condition, term), value) for condition, value in options))
            case _:
                return given

    def changed(given: Block) -> Block:
        return tuple(inside(made) for item in given for made in statement(item))

    return changed(block)


def map_controller(
    program: ControllerProgram, *, term: TermChange = unchanged, statement: StatementChange = kept
) -> ControllerProgram:
    """The controller with its terms and statements changed, wherever they stand."""

    def block(given: Block) -> Block:
        return map_block(given, term=term, statement=statement)

    def exit_(given: ExitProgram) -> ExitProgram:
        actions = tuple((cell, map_term(value, term)) for cell, value in given.actions)
        return replace(given, guard=map_term(given.guard, term), actions=actions)

    return replace(
        program,
        signals=tuple(replace(item, sense=block(item.sense)) for item in program.signals),
        observers=tuple(replace(item, argument=map_term(item.argument, term)) for item in program.observers),
        sequences=tuple(
            replace(
                item,
                overrides=tuple(exit_(way) for way in item.overrides),
                exits=tuple(tuple(exit_(way) for way in ways) for ways in item.exits),
            )
            for item in program.sequences
        ),
        outputs=tuple(
            replace(item, permits=tuple((number, map_term(permit, term)) for number, permit in item.permits))
            for item in program.outputs
        ),
        observe=block(program.observe),
        stages=tuple(replace(item, block=block(item.block)) for item in program.stages),
        clocks=tuple(replace(item, limit=map_term(item.limit, term)) for item in program.clocks),
    )


def without_signals(program: ControllerProgram, names: Collection[str]) -> ControllerProgram:
    """The controller without some inputs and what they remember; what reads them is answered otherwise."""
    gone = {cell for item in program.signals if item.name in names for cell in item.memory}
    return replace(
        program,
        signals=tuple(item for item in program.signals if item.name not in names),
        clocks=tuple(item for item in program.clocks if item.cell not in gone),
    )
