"""Shows that a machine may work on for ever under a fault: a run to a situation that may come again.

A run for ever cannot be stepped to its end, but one that comes back to a situation can be gone on with for
ever. So from a run that works under the fault a *waiting* is begun, here and there: everything stays as it
is (operator, parts, whatever is free answer as they did last). If the waiting comes back to a situation
where it was, that circle may be taken for ever. If the machine works in it, or works after it where the rest
of the run is taken from there, the fault need not stop the machine.

Everything is stepped by the evaluator of the loop's own statements. What is not found may still be there.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from stillgate.controller.effort import Effort
from stillgate.controller.program.program import Cell

from ..loop.answers import named, noting, then_first
from ..loop.closed_loop import ClosedLoop
from ..loop.counterexample import Path
from ..loop.interpreter import Chooser, LoopRunner
from ..loop.state_layout import Key

MOST_WAITING = 6_000
"""Ticks that are waited for a situation to come again."""

MOST_TICKS = 30_000
"""Ticks that are waited from all places of a run."""

MOST_PLACES = 12
"""Situations of a run from which a waiting is begun."""


@dataclass(frozen=True)
class _Taken:
    """A tick of a run: the situation before it, what was answered, whether it worked under the fault."""

    before: Key
    answers: dict[str, list[int]]  # by what was asked
    works: bool
    begun: bool  # the fault had begun before it


def may_work_on(
    loop: ClosedLoop, run: Path, fault: int, phase: Cell, *, switches: Mapping[str, int], effort: Effort
) -> bool:
    """Whether a run under a fault can be gone on with so that the machine works for ever, or rests for ever
    and may always work again.

    Args:
        loop: a ``work_loop``.
        run: a run of it, with the machine at work under the fault in its last tick.
        phase: the loop's phase.
        switches: answers that were told before the run was found.

    Raises:
        OutOfTime: if the effort is over.
    """
    return _Search(LoopRunner(loop, switches=switches), fault, loop.key_cells.index(phase), effort).goes_on(
        run
    )


@dataclass
class _Search:
    runner: LoopRunner
    fault: int
    phase: int
    effort: Effort
    left: int = MOST_TICKS  # ticks that may be stepped yet

    def goes_on(self, run: Path) -> bool:
        taken = self._taken(run)
        for place in _places(taken):
            circle = self._waited(self._key_after(taken, place), taken[place - 1].answers)
            if circle is None:
                continue
            situation, works = circle
            if works or self._works_after(situation, taken[place:]):
                return True
        return False

    def _taken(self, run: Path) -> list[_Taken]:
        runner, taken = self.runner, list[_Taken]()
        for key, picks in zip(run.keys, run.choices, strict=True):
            runner.load(key)
            begun = runner.fault == self.fault
            given: list[tuple[str, int]] = []
            runner.step(noting(then_first(picks), given))
            taken.append(_Taken(key, named(given), self._works(), begun))
            self.effort.look()
        return taken

    def _works(self) -> bool:
        phase = self.runner.key()[self.phase]
        return self.runner.fault == self.fault and phase > 0 and phase % 2 == 0

    def _key_after(self, taken: Sequence[_Taken], place: int) -> Key:
        if place < len(taken):
            return taken[place].before
        self.runner.load(taken[-1].before)
        self.runner.step(_as_told(taken[-1].answers))
        return self.runner.key()

    def _waited(self, key: Key, answers: dict[str, list[int]]) -> tuple[Key, bool] | None:
        """A situation that comes again where all stays as it is, and whether the machine works meanwhile."""
        runner = self.runner
        runner.load(key)
        met: dict[Key, int] = {}
        works: list[bool] = []
        for tick in range(min(MOST_WAITING, self.left)):
            self.left -= 1
            key = runner.key()
            if key in met:
                return key, any(works[met[key] :])
            met[key] = tick
            runner.step(_as_told(answers))
            works.append(self._works())
            if not tick % 64:
                self.effort.look()
        return None

    def _works_after(self, key: Key, rest: Sequence[_Taken]) -> bool:
        """Whether the machine works where the rest of a run is taken from another situation."""
        self.runner.load(key)
        for taken in rest:
            self.runner.step(_as_told(taken.answers))
            if self._works():
                return True
        for _ in range(MOST_WAITING if rest else 0):  # what it waits for may take longer than on that run
            before = self.runner.key()
            self.runner.step(_as_told(rest[-1].answers))
            if self._works():
                return True
            if self.runner.key() == before:
                break
        return False


def _places(taken: Sequence[_Taken]) -> Iterator[int]:
    """Where waiting is worth a try, as the number of ticks before it: where the machine is about to work
    again, at the end, where it has stopped, and here and there."""
    first = next((number for number, item in enumerate(taken) if item.begun), len(taken))
    places: dict[int, None] = {}
    for number in range(max(first, 1), len(taken)):
        if taken[number].works and not taken[number - 1].works:
            places[number] = None
    places[len(taken)] = None
    for number in range(max(first, 1), len(taken)):
        if taken[number - 1].works and not taken[number].works:
            places[number] = None
    left = MOST_PLACES - len(places)
    for number in range(1, left + 1):
        places[max(first, 1) + (len(taken) - max(first, 1)) * number // (left + 1)] = None
    yield from list(places)[:MOST_PLACES]


def _as_told(answers: Mapping[str, Sequence[int]]) -> Chooser:
    """Answers as before, also what is asked more often; what was not asked before gets its first option."""
    asked: dict[str, int] = {}

    def choose(name: str, count: int) -> int:
        told, number = answers.get(name), asked.get(name, 0)
        asked[name] = number + 1
        pick = 0 if not told else told[min(number, len(told) - 1)]
        return pick if pick < count else 0

    return choose
