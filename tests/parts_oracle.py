"""A second reading of physical parts: the oracle for their lowering.

It interprets the models of a machine file directly and knows nothing of the step program. Written
from the reference page of the machine file, so it is the slow and plain way: a set of everything
that a part may be, each with clocks that hold ticks; a clock that runs at power-on is tried with
every value that the page allows. For tests only.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from typing import TypeVar

from stillgate.controller.expressions.expression import At, Binary, Expression, Name, Not, Operator, Truth
from stillgate.controller.machine_file.machine import Automaton, Flow, Machine, PartExit, Spin, Travel

Outputs = frozenset[str]
"""The outputs that are driven."""


@dataclass(frozen=True)
class Standing:
    """What a part may be: its place, ticks at it, and of an automaton's exits the ticks of ``when``."""

    place: str
    ticks: int = 0
    span: tuple[int, int] = (0, 0)  # soonest and latest of what it is about
    held: tuple[int, ...] = ()


Plant = tuple[Standing, ...]
"""All parts of a machine, in the file's order."""

Kind = TypeVar("Kind")


class PartsOracle:
    """The parts of a machine at one period, none of its travels ever reversed on its way."""

    def __init__(self, machine: Machine, period: int) -> None:
        self.machine, self.period = machine, period
        self.names = list(machine.parts)

    # -- what can be asked -----------------------------------------------------------------------

    def begin(self, stuck_on: Outputs) -> set[Plant]:
        """Everything that the parts may be at power-on; outputs are off but for those stuck on."""
        every: set[Plant] = set()
        for plant in product(*(self._places(name) for name in self.names)):
            clocks = [
                list(self._clocks(name, at, plant, stuck_on))
                for name, at in zip(self.names, plant, strict=True)
            ]
            every |= set(product(*clocks))
        return every

    def step(self, plant: Plant, on: Outputs) -> set[Plant]:
        """What a tick with these outputs may make of it."""
        moved = [self._moved(name, at, plant, on) for name, at in zip(self.names, plant, strict=True)]
        return set(product(*moved))

    # -- times and conditions ----------------------------------------------------------------------

    def _span(self, times: tuple[int, int]) -> tuple[int, int]:
        """Rounded outward; whatever happens takes a tick at least."""
        return times[0] // self.period, max(1, -(-times[1] // self.period))

    def _true(self, name: str, tree: Expression, plant: Plant, on: Outputs) -> bool:
        match tree:
            case Truth(value=value):
                return value
            case Not(operand=operand):
                return not self._true(name, operand, plant, on)
            case Binary(operator=operator, left=left, right=right):
                first, second = self._true(name, left, plant, on), self._true(name, right, plant, on)
                match operator:
                    case Operator.AND:
                        return first and second
                    case Operator.OR:
                        return first or second
                    case _:
                        raise AssertionError(f"{operator} is not drawn")
            case At(place=place):
                return plant[self.names.index(name)].place == place
            case Name(path=path) if path in self.machine.outputs:
                return path in on
            case Name(path=path):
                part, _, truth = path.rpartition(".")
                return self._truth(part or name, truth, plant, on)
            case _:
                raise AssertionError(f"{tree} is not drawn")

    def _truth(self, name: str, truth: str, plant: Plant, on: Outputs) -> bool:
        part, at = self.machine.parts[name], plant[self.names.index(name)]
        match part, truth:
            case (Spin(drive=drive), "turning" | "still"):
                turning = at.place != "still" or self._true(name, drive.tree, plant, on)
                return turning == (truth == "turning")
            case (Travel(forward=forward, back=back), "moving" | "still"):
                driven = any(self._true(name, item.tree, plant, on) for item in (forward, back))
                return driven == (truth == "moving")
            case (Flow(), "item"):
                return at.place == "item"
            case _:
                return at.place == truth.removeprefix("at_") or (
                    truth == "at_speed" and at.place == "at speed"
                )

    # -- power-on ------------------------------------------------------------------------------------

    def _places(self, name: str) -> list[Standing]:
        part = self.machine.parts[name]
        match part:
            case Automaton():
                every = list(part.states)
            case Travel():
                every = [*part.stops, *(f"{a}>{b}" for a, b in zip(part.stops, part.stops[1:], strict=False))]
            case Spin():
                every = ["still", "at speed", "running down", *(["running up"] if part.runs_up[1] else [])]
            case Flow():
                every = ["empty", "item"]
        return [
            Standing(item)
            for item in (every if part.starts == "anywhere" else [part.starts.replace("_", " ")])
        ]

    def _clocks(self, name: str, at: Standing, plant: Plant, on: Outputs) -> Iterator[Standing]:
        part = self.machine.parts[name]
        match part:
            case Automaton():
                yield from self._automaton_clocks(name, part, at, plant, on)
            case Flow():
                span = self._span(part.every if at.place == "empty" else part.lasts)
                for ticks in range(1 if part.just_entered else span[1]):
                    yield Standing(at.place, ticks, span)
            case Spin() if at.place.startswith("running"):
                span = self._span(part.runs_up if at.place == "running up" else part.runs_down)
                yield from (Standing(at.place, ticks, span) for ticks in range(span[1]))
            case Travel() if ">" in at.place:
                yield from (
                    Standing(at.place, n, self._span(part.takes)) for n in range(self._span(part.takes)[1])
                )
            case _:
                yield at

    def _automaton_clocks(
        self, name: str, part: Automaton, at: Standing, plant: Plant, on: Outputs
    ) -> Iterator[Standing]:
        exits = part.states[at.place].exits
        if part.just_entered:
            yield replace(at, held=(0,) * len(exits))
            return
        longest = [self._span(item.takes)[1] for item in exits if item.takes]
        forced = [
            self._span(item.takes)[1] for item in exits if item.takes and not item.when and not item.freely
        ]
        for ticks in range(min(forced) if forced else max(longest, default=0) + 1):
            clocks = []
            for item in exits:
                runs = item.when and item.takes and self._true(name, item.when.tree, plant, on)
                most = 0
                if runs and item.takes:
                    most = min(ticks, self._span(item.takes)[1] - (0 if item.freely else 1))
                clocks.append(range(most + 1))
            yield from (replace(at, ticks=ticks, held=held) for held in product(*clocks))

    # -- one tick --------------------------------------------------------------------------------------

    def _moved(self, name: str, at: Standing, plant: Plant, on: Outputs) -> set[Standing]:
        part = self.machine.parts[name]
        match part:
            case Automaton():
                return self._automaton(name, part, at, plant, on)
            case Flow():
                if not self._true(name, part.runs_while.tree, plant, on):
                    return {at}
                other, times = ("item", part.lasts) if at.place == "empty" else ("empty", part.every)
                return self._until(at, Standing(other, 0, self._span(times)))
            case Spin():
                return self._spin(part, at, self._true(name, part.drive.tree, plant, on))
            case Travel():
                forward = self._true(name, part.forward.tree, plant, on)
                assert not self._true(name, part.back.tree, plant, on), "no travel goes back here"
                return self._travel(part, at) if forward else {at}

    def _until(self, at: Standing, then: Standing) -> set[Standing]:
        """One tick of something that may end from the shorter time on, and must at the longer."""
        ticks = at.ticks + 1
        found = {then} if ticks >= at.span[0] else set()
        return found if ticks >= at.span[1] else found | {replace(at, ticks=ticks)}

    def _spin(self, part: Spin, at: Standing, driven: bool) -> set[Standing]:
        still, at_speed = Standing("still"), Standing("at speed")
        up, down = self._span(part.runs_up), self._span(part.runs_down)
        if driven and at.place in ("still", "running down"):
            if not part.runs_up[1]:
                return {at_speed}
            soonest = up[0] if at.place == "still" else 0
            return self._until(Standing("running up", 0, (soonest, up[1])), at_speed)
        if driven:
            return self._until(at, at_speed) if at.place == "running up" else {at}
        if at.place in ("at speed", "running up"):
            soonest = down[0] if at.place == "at speed" else 0
            return self._until(Standing("running down", 0, (soonest, down[1])), still)
        return self._until(at, still) if at.place == "running down" else {at}

    def _travel(self, part: Travel, at: Standing) -> set[Standing]:
        if ">" not in at.place:
            number = part.stops.index(at.place)
            if number + 1 == len(part.stops):
                return {at}
            at = Standing(f"{at.place}>{part.stops[number + 1]}", 0, self._span(part.takes))
        return self._until(at, Standing(at.place.partition(">")[2]))

    def _automaton(
        self, name: str, part: Automaton, at: Standing, plant: Plant, on: Outputs
    ) -> set[Standing]:
        exits = part.states[at.place].exits
        true = [item.when is None or self._true(name, item.when.tree, plant, on) for item in exits]
        held = tuple(
            ticks + 1 if item.when and item.takes and holds else 0
            for item, ticks, holds in zip(exits, at.held, true, strict=True)
        )
        stayed = replace(at, ticks=at.ticks + 1, held=held)
        found: set[Standing] = set()
        must = False
        for item, ticks, holds in zip(exits, held, true, strict=True):
            span = self._span(item.takes) if item.takes else (0, 0)
            time = ticks if item.when else stayed.ticks
            if holds and time >= span[0]:
                found.add(Standing(item.to, held=(0,) * len(part.states[item.to].exits)))
                must = must or (not item.freely and time >= span[1])
        return found if must else found | {self._cut_off(stayed, exits)}

    def _cut_off(self, at: Standing, exits: list[PartExit]) -> Standing:
        """Beyond every time there is, clocks say nothing more."""
        most = max((self._span(item.takes)[1] for item in exits if item.takes), default=0)
        return replace(at, ticks=min(at.ticks, most), held=tuple(min(item, most) for item in at.held))
