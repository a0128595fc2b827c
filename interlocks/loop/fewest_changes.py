"""Leaves out of a run every change of an input that what happens at its end does not need.

A search finds a run by its choices, and a press of a button that changes nothing that matters is as good
to it as none. To a person it is a question. So each change of an input that nobody drives is tried: left
out, and moved to power-on, while the parts, the faults and the power do what they did. What still happens
then, and not later, is the run that is told, and so on until each change that is left is needed.

The idea is delta debugging (A. Zeller, R. Hildebrandt, *Simplifying and isolating failure-inducing input*,
IEEE Transactions on Software Engineering 28, 2002), for changes one by one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property

from stillgate.controller.effort import OutOfTime
from stillgate.controller.errors import ProgramFault
from stillgate.controller.program.evaluate import Values
from stillgate.sim_io.simulation.operators import rest_level

from .answers import Answers, by_name, noting
from .closed_loop import ClosedLoop, close_loop
from .counterexample import Replay, truths_of
from .interpreter import Chooser, LoopRunner, Tick

MOST_STEPS = 100_000
"""Ticks that are stepped for one run at most; beyond, it is told as far as it was cut down."""

Levels = list[dict[str, int]]
"""Of each tick the circuits of the inputs that nobody drives."""


@dataclass(frozen=True)
class _Situation:
    """Before a tick: everything, and what of it counts."""

    values: Values
    key: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class _Change:
    """Another level of an input, from a tick on up to another."""

    name: str
    level: int
    first: int
    until: int


class FewestChanges:
    """Cuts down runs of one loop."""

    def __init__(self, given: ClosedLoop) -> None:
        self.given = given

    @cached_property
    def loop(self) -> ClosedLoop:
        """The same loop with a level for every input, made once there is a run to cut down."""
        given = self.given
        return close_loop(
            given.machine,
            tick=given.tick,
            faults=given.budget,
            lazy=False,
            possibility=bool(given.monitors.goals),
            controller=given.controller,
        )

    @cached_property
    def runner(self) -> LoopRunner:
        """Steps that loop, for one run after another."""
        return LoopRunner(self.loop)

    @cached_property
    def inputs(self) -> dict[str, str]:
        """Those that nobody drives, by the name of the cell that holds their level."""
        driven = self.given.plant.circuits
        return {cell.name: name for name, cell in self.loop.circuits.items() if name not in driven}

    def of(self, run: Replay, event: str | None, *, look: Callable[[], None] = lambda: None) -> Replay:
        """The same run with the fewest changes, each of which ``event`` needs to be broken at its end.

        Args:
            event: a requirement, or another of ``ClosedLoop.requirement_names``; with None the run leads to
                the situation after its last tick.
            look: called at every tick; once it raises ``OutOfTime`` what is left is told.
        """
        return _Cut(self, run, event, look).fewest()


class _Cut:
    def __init__(
        self, loops: FewestChanges, run: Replay, event: str | None, look: Callable[[], None]
    ) -> None:
        self.loop = loops.loop
        self.inputs = loops.inputs
        self.names = tuple(self.inputs.values())
        self.rest = {name: int(rest_level(self.loop.machine, name)) for name in self.names}
        self.run = run
        self.event = None if event is None else self.loop.requirement_names.index(event)
        self.look = look
        self.steps = 0
        self.runner = loops.runner
        self.levels: Levels = [{name: now[name] for name in self.names} for now in run.circuits]
        self.before: list[_Situation] = []

    def fewest(self) -> Replay:
        """The run that is left."""
        self._load()
        self.before = [self._situation()]
        broken: list[int] = []
        for number, levels in enumerate(self.levels):
            broken = self.runner.advance(self._answers(number, levels))
            self.before.append(self._situation())
        happens = self.event is None or self.event in broken
        assert happens, "a run, stepped with the levels of its inputs, ends otherwise"
        with suppress(OutOfTime):
            while [change for change in self._shorter() if self._try(change)]:
                pass
        return self._told()

    def _load(self) -> None:
        """The situation in which the run begins."""
        runner, given = self.runner, dict(zip(self.run.loop.key_cells, self.run.start, strict=True))
        runner.load([given.get(cell, cell.start) for cell in self.loop.key_cells])

    def _situation(self) -> _Situation:
        return _Situation(list(self.runner.values), self.runner.key())

    def _shorter(self) -> Iterator[_Change]:
        """Each change left out or moved to power-on, later ones first.

        What is otherwise at power-on than left alone is a change too.
        """
        for number, name in self._changes():
            yield _Change(name, self.levels[number - 1][name], number, self._lasts(number, name))
        for name in self.names:
            if self.levels[0][name] != self.rest[name]:
                yield _Change(name, self.rest[name], 0, self._lasts(0, name))
        for number, name in self._changes():
            if all(now[name] == self.levels[0][name] for now in self.levels[:number]):
                yield _Change(name, self.levels[number][name], 0, number)

    def _changes(self) -> Iterator[tuple[int, str]]:
        """Those of the levels as they are by then, which may be fewer ticks than before."""
        for number in range(len(self.levels) - 1, 0, -1):
            for name in self.names:
                here = self.levels[number : number + 1]
                if here and here[0][name] != self.levels[number - 1][name]:
                    yield number, name

    def _lasts(self, number: int, name: str) -> int:
        """The tick in which an input changes again."""
        level = self.levels[number][name]
        later = (at for at in range(number, len(self.levels)) if self.levels[at][name] != level)
        return next(later, len(self.levels))

    def _try(self, change: _Change) -> bool:
        """Keeps a change if it still happens with it, and not later."""
        if self.steps > MOST_STEPS:
            return False
        first, until, name = change.first, change.until, change.name
        with_it = [{**now, name: change.level} for now in self.levels[first:until]]
        levels = [*self.levels[:first], *with_it, *self.levels[until:]]
        self.runner.values[:] = self.before[first].values
        found: list[_Situation] = []
        for number in range(first, len(levels)):
            self.look()
            self.steps += 1
            broken = self.runner.advance(self._answers(number, levels[number]))
            if self.runner.wrong() != self._wrong_in(number):
                return False
            found.append(self._situation())
            if self.event in broken:
                self.levels = levels[: number + 1]
                self.before[first + 1 :] = found
                return True
            at_end = number + 1 == len(levels)  # there it has to happen, whatever follows
            alike = number + 1 >= until and found[-1].key == self.before[number + 1].key
            if alike and not (at_end and self.event is not None):
                self.levels = levels
                self.before[first + 1 : number + 2] = found
                return True
        return False

    def _wrong_in(self, number: int) -> tuple[int, int, int]:
        values = self.run.ticks[number].values
        return values["fault"], values.get("second", 0), values["dark"]

    def _answers(self, number: int, levels: dict[str, int]) -> Chooser:
        """Levels for inputs; for all else what was answered in that tick, and the first option beyond."""
        others = (item for item in self.run.answers[number] if item[0] not in self.inputs)
        return by_name([*others, *((cell, levels[name]) for cell, name in self.inputs.items())])

    def _told(self) -> Replay:
        """What is left as a run, its ticks as the controller has them."""
        self._load()
        ticks: list[Tick] = []
        answers: list[Answers] = []
        for number, levels in enumerate(self.levels):
            given: list[tuple[str, int]] = []
            chooser = noting(self._answers(number, levels), given)
            ticks.append(self.runner.step(chooser, settle=False))
            answers.append(tuple(given))
        if self.event is not None and self.event not in ticks[-1].broken:
            raise ProgramFault(
                f"a run that was cut down does not break {self.loop.requirement_names[self.event]}"
            )
        circuits = tuple(
            {name: tick.values[cell.name] for name, cell in self.loop.circuits.items()} for tick in ticks
        )
        truths, start = truths_of(self.runner, ticks), self.run.start
        return Replay(self.run.loop, tuple(ticks), circuits, truths, start, tuple(answers))
