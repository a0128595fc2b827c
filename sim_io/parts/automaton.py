"""An automaton: any other physical thing, as states, conditions and times.

Exits are looked at in file order, once a tick, while parts move. An exit whose condition
holds fires at once; with ``takes: a..b`` it may fire from a ticks after entry and must
from b; with ``freely: true`` it may fire in any tick and never must.
"""

from __future__ import annotations

from stillgate.controller.expression import Operator
from stillgate.controller.lowering import count_up
from stillgate.controller.machine import Automaton, PartExit
from stillgate.controller.program import (
    TRUE,
    Assign,
    Block,
    Cell,
    Choose,
    Clock,
    ClockKind,
    Complement,
    Constant,
    If,
    Operation,
    Ref,
    Scope,
    Statement,
    Switch,
    conjunction,
)

from .base import PartProgram, PlantNames, choice_of, truth_cell, widened


def lower_automaton(name: str, part: Automaton, names: PlantNames) -> PartProgram:
    """The program of an automaton."""
    states = list(part.states)
    state = Cell(f"{name}.state", 0, len(states) - 1, 0, Scope.PART)
    spans = {
        (key, i): widened(item.takes, names.period)
        for key, value in part.states.items()
        for i, item in enumerate(value.exits)
        if item.takes is not None
    }
    waited = Cell(f"{name}.waited", 0, max((span[1] for span in spans.values()), default=0), 0, Scope.PART)
    taken, happens = truth_cell(f"{name}.taken"), truth_cell(f"{name}.happens")
    conditions: list[Statement] = []
    arms: list[tuple[int, Block]] = []
    for number, (key, value) in enumerate(part.states.items()):
        arm: list[Statement] = [Assign(taken, Constant(0))]
        longest = max((spans[key, i][1] for i in range(len(value.exits)) if (key, i) in spans), default=0)
        if longest:
            arm.append(count_up(waited, Constant(longest)))
        for i, item in enumerate(value.exits):
            holds = truth_cell(f"{name}.holds_{number}_{i}")
            if item.when is not None:
                conditions.append(Assign(holds, names.condition(name, item.when.tree)))
            take: Block = (
                Assign(state, Constant(states.index(item.to))),
                Assign(waited, Constant(0)),
                Assign(taken, Constant(1)),
            )
            condition = Ref(holds) if item.when is not None else TRUE
            body = _exit(item, spans.get((key, i)), waited, happens, take)
            arm.append(If(conjunction((Complement(Ref(taken)), condition)), body))
        if value.exits:
            arms.append((number, tuple(arm)))

    def stands(number: int) -> Block:
        return (Assign(state, Constant(number)), Assign(waited, Constant(0)))

    starts = [states.index(part.starts)] if part.starts != "anywhere" else list(range(len(states)))
    at = {f"at_{key}": Operation(Operator.EQ, Ref(state), Constant(i)) for i, key in enumerate(states)}
    return PartProgram(
        name=name,
        kind=part.kind,
        cells=(state, waited),
        clocks=(Clock(waited, ClockKind.PART_WAITS, Constant(waited.high)),),
        begin=choice_of(
            Cell(f"{name}.begins", 0, len(states), 0, Scope.PART, persistent=False),
            [stands(i) for i in starts],
        ),
        conditions=tuple(conditions),
        moves=(Switch(state, tuple(arms)),),
        sensed=dict(at),
        judged=dict(at),
        describe=lambda values: states[values[state]],
    )


def _exit(item: PartExit, span: tuple[int, int] | None, waited: Cell, happens: Cell, take: Block) -> Block:
    freely: Block = (Choose(happens, 2), If(Ref(happens), take))
    if span is None:
        return freely if item.freely else take
    soonest = Operation(Operator.GE, Ref(waited), Constant(span[0]))
    if item.freely:
        return (If(soonest, freely),)
    latest = Operation(Operator.GE, Ref(waited), Constant(span[1]))
    return (If(latest, take, (If(soonest, freely),)),)
