"""An automaton: any other physical thing, as states, conditions and times.

Exits are looked at once a tick, while parts move. With ``takes: a..b`` an exit may be taken from
a ticks on and must at b; the ticks are those in the state or, with ``when``, those for which
``when`` has been true in the state without interruption. Without ``takes`` it must be taken as
soon as ``when`` is true. With ``freely: true`` it may be taken where it else must.

If several exits may be taken in one tick, each is tried: their order is of the file, not of
nature. If one of them must, one of them is taken; else the part may also stay.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.field_types import Ticks
from stillgate.controller.machine_file.machine import Automaton, PartExit
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Assign,
    Block,
    Cell,
    Choose,
    Complement,
    Constant,
    If,
    Operation,
    Ref,
    Scope,
    Statement,
    Switch,
    Term,
    conjunction,
    disjunction,
)

from .base import PartProgram, PlantNames, Range, choice_of, truth_cell, widened
from .part_clock import KNOWN, UNDECIDED, UNKNOWN, PartClock


def lower_automaton(name: str, part: Automaton, names: PlantNames) -> PartProgram:
    """The program of an automaton."""
    states = list(part.states)
    state = Cell(f"{name}.state", 0, len(states) - 1, 0, Scope.PART)
    places = [_Place.of(name, part, key, names) for key in states]
    starts = places if part.starts == "anywhere" else [places[states.index(part.starts)]]
    unknown = [] if part.just_entered else starts
    waited = PartClock.of(
        f"{name}.waited",
        max(place.longest for place in places),
        may_run_at_power_on=any(place.unknown_stay for place in unknown),
    )
    held = [
        PartClock.of(
            f"{name}.held_{number}",
            max(place.longest_held(number) for place in places),
            may_run_at_power_on=any(place.unknown_held(number) for place in unknown),
        )
        for number in range(max(len(place.timed) for place in places))
    ]

    def stands(place: _Place) -> Block:
        loose = place in unknown
        clocks = waited.reset(UNKNOWN if loose and place.unknown_stay else KNOWN)
        for number, clock in enumerate(held):
            clocks += clock.reset(UNDECIDED if loose and place.unknown_held(number) else KNOWN)
        return (Assign(state, Constant(place.number)), *clocks)

    at = {f"at_{key}": Operation(Operator.EQ, Ref(state), Constant(i)) for i, key in enumerate(states)}

    def was_true(number: int) -> Term:
        """Whether the condition of a clock is true where the part begins."""
        return disjunction(
            tuple(
                conjunction((at[f"at_{states[place.number]}"], Ref(place.timed[number].holds)))
                for place in unknown
                if place.unknown_held(number)
            )
        )

    asking = [number for number, clock in enumerate(held) if clock.unknown is not None]
    was = {number: truth_cell(f"{name}.was_{number}") for number in asking}
    decide = tuple(item for number in asking for item in held[number].decide(Ref(was[number])))
    moves = _Moves(name, state, waited, held)
    conditions = [
        Assign(way.holds, names.condition(name, way.item.when.tree))
        for place in places
        for way in place.ways
        if way.item.when is not None
    ]
    arms = tuple((place.number, moves.arm(place)) for place in places if place.ways)
    return PartProgram(
        name=name,
        kind=part.kind,
        cells=(state, *waited.cells, *(cell for clock in held for cell in clock.cells)),
        clocks=tuple(clock.mark for clock in (waited, *held)),
        events={moves.happens: None},
        begin=choice_of(
            Cell(f"{name}.begins", 0, len(states), 0, Scope.PART, persistent=False),
            [stands(place) for place in starts],
        ),
        undecided=disjunction(tuple(held[number].undecided for number in asking)),
        power_on=tuple((was[number], was_true(number)) for number in asking),
        decide=decide,
        conditions=tuple(conditions),
        moves=(*decide, Switch(state, arms)),
        sensed=dict(at),
        judged=dict(at),
        describe=lambda values: states[values[state]],
    )


@dataclass(frozen=True, slots=True)
class _Way:
    """An exit, its time in ticks."""

    item: PartExit
    target: int
    holds: Cell  # local: whether ``when`` is true; unused without one
    span: Range | None

    @property
    def soonest(self) -> Ticks:
        return 1 if self.span is None else max(1, self.span[0])

    @property
    def latest(self) -> Ticks | None:
        """When it must be taken, or None."""
        if self.item.freely:
            return None
        return 1 if self.span is None else self.span[1]

    @property
    def longest(self) -> Ticks:
        """The greatest time its clock is compared with; 0 where one tick is time enough."""
        longest = max(self.soonest, self.latest or 0)
        return longest if longest > 1 else 0


@dataclass(frozen=True, slots=True)
class _Place:
    """A state with its exits; ``timed`` are those with a clock of their own."""

    number: int
    ways: tuple[_Way, ...]
    timed: tuple[_Way, ...]

    @staticmethod
    def of(name: str, part: Automaton, key: str, names: PlantNames) -> _Place:
        states = list(part.states)
        number = states.index(key)
        ways = tuple(
            _Way(
                item=item,
                target=states.index(item.to),
                holds=truth_cell(f"{name}.holds_{number}_{i}"),
                span=None if item.takes is None else widened(item.takes, names.period),
            )
            for i, item in enumerate(part.states[key].exits)
        )
        timed = tuple(way for way in ways if way.item.when is not None and way.longest)
        return _Place(number, ways, timed)

    @property
    def _by_stay(self) -> list[_Way]:
        """Exits whose time counts from entry."""
        return [way for way in self.ways if way.item.when is None]

    @property
    def longest(self) -> Ticks:
        """Where the clock of entry is cut off."""
        return max((way.longest for way in self._by_stay), default=0)

    @property
    def unknown_stay(self) -> bool:
        """Whether it matters when the state was entered, if that is not known."""
        return any(self.early(way) for way in self._by_stay)

    def longest_held(self, number: int) -> Ticks:
        """Where the clock of a timed exit is cut off."""
        return self.timed[number].longest if number < len(self.timed) else 0

    def unknown_held(self, number: int) -> bool:
        """Whether it matters since when the ``when`` of a timed exit is true."""
        return number < len(self.timed) and self.early(self.timed[number])

    def early(self, way: _Way) -> bool:
        """Whether an exit may come earlier after power-on than after entry.

        No clock of the place is beyond the time by which the place must have been left.
        """
        limits = [other.latest for other in self._by_stay if other.latest is not None]
        return 1 < way.soonest <= min(limits, default=way.soonest)


class _Moves:
    """What one tick does in each state."""

    def __init__(self, name: str, state: Cell, waited: PartClock, held: Sequence[PartClock]) -> None:
        self.state, self.waited, self.held = state, waited, held
        self.taken, self.must = truth_cell(f"{name}.taken"), truth_cell(f"{name}.must")
        self.happens, self.rather = truth_cell(f"{name}.happens"), truth_cell(f"{name}.rather")

    def arm(self, place: _Place) -> Block:
        """One tick in a state: its clocks count, then its exits are looked at."""
        found: list[Statement] = [Assign(self.taken, Constant(0))]
        if place.longest:
            found.append(self.waited.tick(place.longest))
        for way, clock in zip(place.timed, self.held, strict=False):
            found.append(If(Ref(way.holds), (clock.tick(way.longest),), clock.reset()))
        may = [self._may(place, way) for way in place.ways]
        must = [self._must(place, way) for way in place.ways]
        one_must: Term = must[0]
        if (
            len(must) > 1
            and (one_must := disjunction(tuple(term for term in must if term != FALSE))) != FALSE
        ):
            found.append(Assign(self.must, one_must))
            one_must = Ref(self.must)
        for number, way in enumerate(place.ways):
            free = conjunction((Complement(Ref(self.taken)), may[number]))
            offer = self._offer(
                self._take(place, way),
                one_must=TRUE if must[number] == may[number] else one_must,
                later=disjunction(tuple(may[number + 1 :])),
            )
            found.append(If(free, offer))
        return tuple(found)

    def _offer(self, take: Block, *, one_must: Term, later: Term) -> Block:
        """Takes an exit that may be taken, or leaves it to a later one or to a later tick."""
        at_will: Block = (Choose(self.happens, 2), If(Ref(self.happens), take))
        if one_must == FALSE:
            return at_will
        forced = take
        if later != FALSE:
            forced = (If(later, (Choose(self.rather, 2), If(Ref(self.rather), take)), take),)
        return forced if one_must == TRUE else (If(one_must, forced, at_will),)

    def _take(self, place: _Place, way: _Way) -> Block:
        clocks = self.waited.reset() if place.longest else ()
        for clock in self.held[: len(place.timed)]:
            clocks += clock.reset()
        return (Assign(self.state, Constant(way.target)), *clocks, Assign(self.taken, Constant(1)))

    def _may(self, place: _Place, way: _Way) -> Term:
        clock = self._clock(place, way)
        over = clock.perhaps(way.soonest) if place.early(way) else clock.surely(way.soonest)
        return self._both(way, over)

    def _must(self, place: _Place, way: _Way) -> Term:
        latest = way.latest
        return FALSE if latest is None else self._both(way, self._clock(place, way).surely(latest))

    def _clock(self, place: _Place, way: _Way) -> PartClock:
        return self.held[place.timed.index(way)] if way in place.timed else self.waited

    @staticmethod
    def _both(way: _Way, over: Term) -> Term:
        if way.item.when is None:
            return over
        return Ref(way.holds) if over == TRUE else conjunction((Ref(way.holds), over))
