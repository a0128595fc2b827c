"""A travel: moves between named stops while driven, stays where it is otherwise.

Between two stops the part keeps how many driven ticks it still needs at the soonest and at
the latest. Reversing turns what has been covered into what remains, rounded outward: from
``soonest`` of a..b still to go, at most 1 - soonest/a is covered, and from ``latest`` at
least 1 - latest/b (steady speed assumed), so the way back takes from
floor((1 - latest/b) * a') to ceil((1 - soonest/a) * b').

Driven both ways it stands, goes forward or goes back, freely in every tick. An
intermediate stop is held for at least one tick, so its switch is seen.
"""

from __future__ import annotations

from collections.abc import Callable

from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.field_types import Ticks
from stillgate.controller.machine_file.machine import Travel
from stillgate.controller.program.program import (
    Assign,
    Block,
    Cell,
    Choose,
    Complement,
    Constant,
    If,
    Lookup,
    Operation,
    Ref,
    Scope,
    Term,
    conjunction,
    disjunction,
)

from .base import PartProgram, PlantNames, Range, Timer, choice_of, truth_cell, widened

FORWARD, BACK = 0, 1


def lower_travel(name: str, part: Travel, names: PlantNames) -> PartProgram:
    """The program of a travel."""
    spans = (
        widened(part.takes, names.period),
        widened(part.takes_back or part.takes, names.period),
    )
    last = 2 * (len(part.stops) - 1)
    place = Cell(f"{name}.place", 0, last, 0, Scope.PART)  # 2i at stop i, 2i+1 between i and i+1
    heading = Cell(f"{name}.heading", 0, 1, FORWARD, Scope.PART)
    timer = Timer.of(name, (max(s[0] for s in spans), max(s[1] for s in spans)))
    forward, back = truth_cell(f"{name}.is_forward"), truth_cell(f"{name}.is_back")
    moved = Cell(f"{name}.moved", 0, 1, 0, Scope.PART)
    goes = Cell(f"{name}.goes", 0, 2, 0, Scope.PART, persistent=False)

    def goes_to(step: int) -> Block:
        """One driven tick towards the next stop forward (step 1) or back (step -1)."""
        towards = FORWARD if step > 0 else BACK
        span = spans[towards]
        arrive = (
            Assign(place, Operation(Operator.ADD, Ref(place), Constant(step))),
            Assign(heading, Constant(FORWARD)),
            *timer.clear(),
        )
        depart = tuple(
            If(
                Operation(Operator.EQ, Ref(place), Constant(stop)),
                (Assign(place, Constant(stop + step)), Assign(heading, Constant(towards)), *timer.set(span),
                 *timer.run(arrive)),
            )
            for stop in range(0, last + 1, 2)
            if 0 <= stop + step <= last
        )  # fmt: skip
        reverse = If(
            Operation(Operator.NE, Ref(heading), Constant(towards)),
            (Assign(heading, Constant(towards)), *_turn_round(name, timer, spans[1 - towards], span)),
        )
        chain: Block = ()
        for item in reversed(depart):
            chain = (If(item.condition, item.then, chain),)
        return (If(_is_odd(place, last), (reverse, *timer.run(arrive)), chain),)

    def stands(number: int, span: Range) -> Block:
        return (Assign(place, Constant(number)), Assign(heading, Constant(FORWARD)), *timer.set(span))

    both = conjunction((Ref(forward), Ref(back)))
    single: Block = (If(Ref(forward), goes_to(1), (If(Ref(back), goes_to(-1)),)),)
    moves: Block = (
        If(
            both,
            (
                Choose(goes, 3),
                If(
                    Operation(Operator.EQ, Ref(goes), Constant(1)),
                    goes_to(1),
                    (If(Operation(Operator.EQ, Ref(goes), Constant(2)), goes_to(-1)),),
                ),
            ),
            single,
        ),
    )
    driven = disjunction((Ref(forward), Ref(back)))
    senses_motion = any(_mentions_motion(item.text) for item in part.senses.values())
    if senses_motion:
        moves = (Assign(moved, driven), *moves)
    at = {f"at_{stop}": _equals(place, 2 * i) for i, stop in enumerate(part.stops)}
    was_moving: Term = Ref(moved) if senses_motion else Constant(0)
    return PartProgram(
        name=name,
        kind=part.kind,
        cells=(place, heading, timer.soonest, timer.latest, *((moved,) if senses_motion else ())),
        clocks=timer.clocks,
        events=timer.events,
        begin=(
            *_begin(name, part, stands, spans[FORWARD][1]),
            *((Choose(moved, 2),) if senses_motion else ()),
        ),
        conditions=(
            Assign(forward, names.condition(name, part.forward.tree)),
            Assign(back, names.condition(name, part.back.tree)),
        ),
        moves=moves,
        sensed={**at, "moving": was_moving, "still": Complement(was_moving)},
        judged={**at, "moving": driven, "still": Complement(driven)},
        describe=lambda values: _describe(part, values[place], values[heading]),
    )


def _mentions_motion(text: str) -> bool:
    return "moving" in text or "still" in text


def _equals(cell: Cell, value: int) -> Term:
    return Operation(Operator.EQ, Ref(cell), Constant(value))


def _is_odd(place: Cell, last: int) -> Term:
    if last == 2:
        return _equals(place, 1)
    return Lookup(tuple(number % 2 for number in range(last + 1)), Ref(place))


def _turn_round(name: str, timer: Timer, old: Range, new: Range) -> Block:
    """What remains after reversing, from what remained before; both read before either is written."""
    a, b = old
    soonest = tuple(
        min(timer.soonest.high, (b - min(b, latest)) * new[0] // b) for latest in range(timer.latest.high + 1)
    )
    latest = tuple(
        max(1, -(-(a - min(a, left)) * new[1] // a)) if a else new[1]
        for left in range(timer.soonest.high + 1)
    )
    kept = Cell(f"{name}.kept", 0, timer.soonest.high, 0, Scope.PART, persistent=False)
    return (
        Assign(kept, Ref(timer.soonest)),
        Assign(timer.soonest, Lookup(soonest, Ref(timer.latest))),
        Assign(timer.latest, Lookup(latest, Ref(kept))),
    )


def _begin(name: str, part: Travel, stands: Callable[[int, Range], Block], longest: Ticks) -> Block:
    """Stands at any stop or on the way between two, or where the file says."""
    if part.starts == "anywhere":
        options = [stands(2 * i, (0, 0)) for i in range(len(part.stops))]
        options += [stands(2 * i + 1, (0, longest)) for i in range(len(part.stops) - 1)]
    else:
        options = [stands(2 * part.stops.index(part.starts), (0, 0))]
    return choice_of(Cell(f"{name}.begins", 0, 2 * len(part.stops), 0, Scope.PART, persistent=False), options)


def _describe(part: Travel, place: int, heading: int) -> str:
    if place % 2 == 0:
        return f"at {part.stops[place // 2]}"
    ends = (part.stops[place // 2], part.stops[place // 2 + 1])
    start, end = ends if heading == FORWARD else ends[::-1]
    return f"between {start} and {end}"
