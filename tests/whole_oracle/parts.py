"""Step 8 for one part: its places, what they show, and where it may be next.

Each kind answers the same four questions. A place is a plain tuple whose first item says where
the part is; what drives a part in a tick is a tuple of truths::

    starts()            places at instant 0 of the first power-on, clocks included
    shows(place)        truths that depend on the place alone
    moves(place, drive) truths that depend on being driven too
    after(place, drive) places at the next instant

Clocks count ticks and stop where nothing can read them any more.
"""

from __future__ import annotations

from typing import Any

from stillgate.controller.expressions.expression import Expression
from stillgate.controller.machine_file.machine import Automaton, Flow, Part, PartExit, Spin, Travel

from .rounding import span, up
from .terms import Frame, value

Place = tuple[Any, ...]
Drive = tuple[Any, ...]
Truths = dict[str, int]


class SpinOracle:
    """('still',), ('at_speed',), ('up', clock, broken off), ('down', clock, broken off).

    A run-up or run-down that is broken off begins before the other has ended.
    """

    def __init__(self, part: Spin, tick: int) -> None:
        self.part = part
        self._span = {"up": span(part.runs_up, tick), "down": span(part.runs_down, tick)}

    def starts(self) -> list[Place]:
        if self.part.starts != "anywhere":
            return [(self.part.starts,)]
        ways = [
            (way, clock, broken_off)
            for way, (_, longest) in self._span.items()
            for clock in range(longest + 1)
            for broken_off in (False, True)
        ]
        return [("still",), ("at_speed",), *ways]

    def drive(self, place: Place, frame: Frame) -> Drive:
        return (value(self.part.drive.tree, frame),)

    def shows(self, place: Place) -> Truths:
        return {"at_speed": int(place[0] == "at_speed")}

    def moves(self, place: Place, drive: Drive) -> Truths:
        turning = int(bool(drive[0]) or place[0] != "still")
        return {"turning": turning, "still": 1 - turning}

    def after(self, place: Place, drive: Drive) -> set[Place]:
        if drive[0]:
            return {place} if place[0] == "at_speed" else self._run("up", place, "at_speed")
        return {place} if place[0] == "still" else self._run("down", place, "still")

    def _run(self, way: str, place: Place, end: str) -> set[Place]:
        shortest, longest = self._span[way]
        if place[0] == way:
            clock, broken_off = place[1] + 1, place[2]
        else:
            clock, broken_off = 1, place[0] in ("up", "down")
        found: set[Place] = set()
        if clock >= (1 if broken_off else shortest):
            found.add((end,))
        if clock < longest:
            found.add((way, clock, broken_off))
        return found


class TravelOracle:
    """('at', stop) or ('under way', from, to, lo, hi): driven ticks that remain to the stop ``to``.

    Stops are counted from 0.
    """

    def __init__(self, part: Travel, tick: int) -> None:
        self.part = part
        forth = span(part.takes, tick)
        back = span(part.takes_back or part.takes, tick)
        self._span = {1: forth, -1: back}

    def starts(self) -> list[Place]:
        stops = self.part.stops
        if self.part.starts != "anywhere":
            return [("at", stops.index(self.part.starts))]
        between: list[Place] = []
        for stop in range(len(stops) - 1):
            between += [
                ("under way", stop, stop + 1, 0, self._span[1][1]),
                ("under way", stop + 1, stop, 0, self._span[-1][1]),
            ]
        return [("at", stop) for stop in range(len(stops))] + between

    def drive(self, place: Place, frame: Frame) -> Drive:
        return value(self.part.forward.tree, frame), value(self.part.back.tree, frame)

    def shows(self, place: Place) -> Truths:
        return {f"at_{stop}": int(place == ("at", number)) for number, stop in enumerate(self.part.stops)}

    def moves(self, place: Place, drive: Drive) -> Truths:
        moving = int(any(drive))
        return {"moving": moving, "still": 1 - moving}

    def after(self, place: Place, drive: Drive) -> set[Place]:
        forward, back = drive
        if forward and back:
            return {place} | self._go(place, 1) | self._go(place, -1)
        if forward or back:
            return self._go(place, 1 if forward else -1)
        return {place}

    def _go(self, place: Place, way: int) -> set[Place]:
        shortest, longest = self._span[way]
        if place[0] == "at":
            start, goal, lo, hi = place[1], place[1] + way, shortest, longest
            if not 0 <= goal < len(self.part.stops):
                return {place}
        else:
            _, start, goal, lo, hi = place
            if goal - start != way:
                start, goal, lo, hi = goal, start, *self._turned(way, lo, hi)
        lo, hi = max(0, lo - 1), hi - 1
        found: set[Place] = set()
        if lo == 0:
            found.add(("at", goal))
        if hi > 0:
            found.add(("under way", start, goal, lo, hi))
        return found

    def _turned(self, way: int, lo: int, hi: int) -> tuple[int, int]:
        """What remains after turning into the direction ``way``: what had been covered, rounded outward."""
        (a, b), (a_after, b_after) = self._span[-way], self._span[way]
        least = (b - min(b, hi)) * a_after // b
        most = max(1, up((a - min(a, lo)) * b_after, a)) if a > 0 else b_after
        return least, most


class FlowOracle:
    """('gap', clock) or ('item', clock): ticks in which items moved since it began."""

    def __init__(self, part: Flow, tick: int) -> None:
        self.part = part
        self._span = {"gap": span(part.every, tick), "item": span(part.lasts, tick)}

    def starts(self) -> list[Place]:
        places = ("gap",) if self.part.starts == "empty" else ("gap", "item")
        return [(place, clock) for place in places for clock in range(self._span[place][1] + 1)]

    def drive(self, place: Place, frame: Frame) -> Drive:
        return (value(self.part.runs_while.tree, frame),)

    def shows(self, place: Place) -> Truths:
        return {"item": int(place[0] == "item")}

    def moves(self, place: Place, drive: Drive) -> Truths:
        return {}

    def after(self, place: Place, drive: Drive) -> set[Place]:
        if not drive[0]:
            return {place}
        shortest, longest = self._span[place[0]]
        clock = place[1] + 1
        found: set[Place] = set()
        if clock >= shortest:
            found.add(("item" if place[0] == "gap" else "gap", 0))
        if clock < longest:
            found.add((place[0], clock))
        return found


class AutomatonOracle:
    """(state, clock of entry, clock of each exit with ``when`` and ``takes``; 0 of the others)."""

    def __init__(self, part: Automaton, tick: int) -> None:
        self.part = part
        self._tick = tick

    def starts(self) -> list[Place]:
        anywhere = self.part.starts == "anywhere"
        found: list[Place] = []
        for state in self.part.states if anywhere else (self.part.starts,):
            for entry in range(self._entry_read(state) + 1):
                clocks: list[tuple[int, ...]] = [()]
                for item in self._exits(state):
                    most = self._span(item)[1] if self._has_clock(item) else 0
                    clocks = [(*done, clock) for done in clocks for clock in range(most + 1)]
                found += [(state, entry, whens) for whens in clocks]
        return found

    def _exits(self, state: str) -> list[PartExit]:
        return self.part.states[state].exits

    def _span(self, item: PartExit) -> tuple[int, int]:
        """With neither ``takes`` nor ``freely`` an exit must be taken at the end of the first tick."""
        return span(item.takes or (0, 0), self._tick)

    @staticmethod
    def _has_clock(item: PartExit) -> bool:
        return item.when is not None and item.takes is not None

    def _entry_read(self, state: str) -> int:
        """The clock of entry beyond which no exit can tell it from a greater one."""
        spans = [self._span(item)[1] for item in self._exits(state) if item.takes is not None]
        return max(spans, default=0)

    def drive(self, place: Place, frame: Frame) -> Drive:
        """For each exit, whether its ``when`` is true; true where there is none."""
        return tuple(
            1 if item.when is None else value(item.when.tree, frame) for item in self._exits(place[0])
        )

    def shows(self, place: Place) -> Truths:
        return {f"at_{state}": int(state == place[0]) for state in self.part.states}

    def moves(self, place: Place, drive: Drive) -> Truths:
        return {}

    def after(self, place: Place, drive: Drive) -> set[Place]:
        state, entry, whens = place
        entry = min(entry + 1, self._entry_read(state))
        found: set[Place] = set()
        clocks: list[int] = []
        must = False
        for item, true, was in zip(self._exits(state), drive, whens, strict=True):
            shortest, longest = self._span(item)
            clock = min(was + 1, longest) if self._has_clock(item) and true else 0
            clocks.append(clock)
            waited = entry if item.takes is not None and item.when is None else clock
            if item.takes is None:
                waited = longest
            if true and waited >= shortest:
                found.add(self._entered(item.to))
            if true and waited >= longest and not item.freely:
                must = True
        if not must:
            found.add((state, entry, tuple(clocks)))
        return found

    def _entered(self, state: str) -> Place:
        return state, 0, (0,) * len(self._exits(state))

    def can_start(self, place: Place, drive: Drive) -> bool:
        """A clock whose ``when`` is false before the first scan is 0, and none exceeds that of entry."""
        _, entry, whens = place
        return all(clock == 0 or (true and clock <= entry) for clock, true in zip(whens, drive, strict=True))


PartOracle = SpinOracle | TravelOracle | FlowOracle | AutomatonOracle


def part_oracle(part: Part, tick: int) -> PartOracle:
    """The oracle of a part's kind."""
    match part:
        case Spin():
            return SpinOracle(part, tick)
        case Travel():
            return TravelOracle(part, tick)
        case Flow():
            return FlowOracle(part, tick)
        case Automaton():
            return AutomatonOracle(part, tick)


def places_of_just_entered(oracle: PartOracle, places: list[Place]) -> list[Place]:
    """Those of some start places whose clocks are all 0."""
    found = []
    for place in places:
        match oracle:
            case AutomatonOracle():
                fresh = place[1] == 0 and not any(place[2])
            case FlowOracle():
                fresh = place[1] == 0
            case SpinOracle() | TravelOracle():
                fresh = True
        if fresh:
            found.append(place)
    return found


def drives_of(part: Part) -> list[Expression]:
    """Every condition that moves a part."""
    match part:
        case Spin():
            return [part.drive.tree]
        case Travel():
            return [part.forward.tree, part.back.tree]
        case Flow():
            return [part.runs_while.tree]
        case Automaton():
            exits = [item for state in part.states.values() for item in state.exits]
            return [item.when.tree for item in exits if item.when is not None]
