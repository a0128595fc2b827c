"""How each question of a check is searched: situation by situation, or in sets of times.

Single situations give the shortest stories, and where times are short they are few. Where times are long
their number has no end, and sets of times do not care. So a search of single situations goes first, for a
second; where it does not come to its end, sets go on, and where single situations without faults were too
many, those with a fault are not begun. What sets leave open is put to single situations once more, up to
``MANY``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path as FilePath

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.machine_file.machine import FromAnywhere, Reach
from stillgate.controller.reading.reader import MachineDocument

from ..exploration.explorer import Progress, Status
from ..exploration.search import Break, Build, Search, build_checker, built
from ..loop.closed_loop import ClosedLoop
from ..results.verdict import Exploration, Finding, FindingKind, Judgement, SetsCovered, Word
from ..symbolic.decide import Decided, SetAnswer, decide
from ..symbolic.emit_step import step_source
from ..symbolic.loop_for_sets import loop_for_sets
from ..symbolic.search import build_symbolic
from .coverage import coverage_findings
from .judgements import bounds_finding, deadlock_finding, judgement_of, kept_possible, possibility, unbroken

FEW = 300_000
"""Situations without faults that are searched one by one before sets of times are tried."""

MANY = 4_000_000
"""The same with a fault, where the search without faults came to its end, and for what sets leave open."""

LONG = 150
"""Ticks of a machine's longest time from which on sets are built beside the first search."""


@dataclass(frozen=True, slots=True)
class Searched:
    """What was searched for one question, and what it says of each requirement."""

    exploration: Exploration
    judgements: dict[str, Judgement]
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class _Libraries:
    """Of each loop what waits for its checkers; what is not begun in advance is built when asked for."""

    single: list[Callable[[], FilePath]]
    sets: list[Callable[[], FilePath]]


@dataclass(frozen=True)
class _Plan:
    document: MachineDocument
    loops: list[ClosedLoop]
    for_sets: Callable[[int], ClosedLoop]
    libraries: _Libraries
    effort: Effort
    progress: Callable[[Progress], None] | None

    def search(self, number: int, few: bool) -> Searched:
        """The search of one loop.

        Args:
            few: whether single situations are worth a try: without faults they were not too many.
        """
        effort = self.effort
        if effort.states is not None:  # who caps situations wants them searched
            return self._single(number, effort.states)
        if few:
            searched = self._single(number, MANY if number else FEW)
            if searched.exploration.stopped_by != Status.STATE_CAP.words or effort.over:
                return searched  # done, or ended by what sets would meet as well
        else:
            searched = not_searched(self.loops[number], "number of situations")
        by_sets = self._sets(number, searched)
        if effort.over or not any(item.word is Word.UNDECIDED for item in by_sets.judgements.values()):
            return by_sets
        again = self._single(number, MANY)
        if again.exploration.exhausted:
            return again
        judgements = {
            name: by_sets.judgements[name] if item.word is Word.UNDECIDED else item
            for name, item in again.judgements.items()
        }
        exploration = replace(again.exploration, sets=by_sets.exploration.sets)
        return Searched(exploration, judgements, by_sets.findings)

    def _single(self, number: int, states: int) -> Searched:
        loop, document = self.loops[number], self.document
        with Search(loop, self.libraries.single[number](), replace(self.effort, states=states)) as search:
            exploration = search.run(self.progress)
            broken = search.breaks()
            judgements: dict[str, Judgement] = {}
            findings: list[Finding] = []
            for name in loop.monitors.requirements:
                requirement = loop.machine.requirements[name]
                if isinstance(requirement, Reach | FromAnywhere):
                    judgements[name] = possibility(search, exploration, name, requirement)
                else:
                    judgements[name] = judgement_of(exploration, name, requirement, broken.get(name))
            for name in loop.requirement_names[: len(loop.controller.bounds_marks)]:
                if name in broken:
                    findings.append(bounds_finding(document, name, broken[name], loop.budget))
            if not loop.budget and exploration.exhausted:
                findings += coverage_findings(document, loop, search.marks())
                findings += deadlock_finding(document, search)
            if search.interrupted:  # perhaps only once every situation was found, on the ways back from them
                exploration = replace(exploration, stopped_by="interrupt")
        return Searched(exploration, judgements, tuple(findings))

    def _deployed(self, number: int) -> FilePath:
        """The checker, deployed controller included, of the loop whose sets are searched."""
        own = self.for_sets(number)
        if own is self.loops[number]:
            return self.libraries.single[number]()
        return build_checker(own, effort=self.effort)

    def _sets(self, number: int, searched: Searched) -> Searched:
        """What sets say of what single situations left undecided."""
        loop = self.loops[number]
        counters = loop.requirement_names[: len(loop.controller.bounds_marks)]
        known = {item.subject for item in searched.findings if item.kind is FindingKind.BOUNDS}
        asked = [name for name, item in searched.judgements.items() if item.word is Word.UNDECIDED]
        try:
            decided = decide(
                self.for_sets(number),
                [*asked, *counters],
                effort=self.effort,
                library=self.libraries.sets[number](),
                deployed=partial(self._deployed, number),
            )
        except OutOfTime:
            return searched
        judgements = dict(searched.judgements)
        for name in asked:
            judgements[name] = self._judged(name, loop, searched.exploration, decided) or judgements[name]
        findings = list(searched.findings)
        for name in counters:
            if name not in known and name in decided.runs:
                run = decided.runs[name]
                findings.append(bounds_finding(self.document, name, Break(len(run.ticks), run), loop.budget))
        if not loop.budget and decided.exploration.exhausted:
            findings += coverage_findings(self.document, decided.loop, list(decided.covered))
        unsure = tuple(
            name for name in counters if name not in known and decided.answers.get(name) is SetAnswer.UNKNOWN
        )
        exploration = replace(searched.exploration, sets=_covered(decided, unsure))
        return Searched(exploration, judgements, tuple(findings))

    def _judged(
        self, name: str, loop: ClosedLoop, exploration: Exploration, decided: Decided
    ) -> Judgement | None:
        requirement = loop.machine.requirements[name]
        if isinstance(requirement, FromAnywhere):
            return kept_possible(decided.ways.get(name), name, requirement, loop.tick)
        possible = isinstance(requirement, Reach)
        answer = decided.answers.get(name, SetAnswer.UNKNOWN)
        if answer is SetAnswer.NEVER:
            reason = "no reachable situation is like that" if possible else ""
            return Judgement(Word.BROKEN if possible else Word.HOLDS, loop.budget, loop.tick, reason=reason)
        if answer is SetAnswer.HAPPENS:
            ticks = decided.ticks[name]
            if possible:
                return Judgement(Word.HOLDS, loop.budget, loop.tick, ticks)
            return judgement_of(exploration, name, requirement, Break(ticks, decided.runs.get(name)))
        return None


def _covered(decided: Decided, unsure: tuple[str, ...]) -> SetsCovered:
    found = decided.exploration
    return SetsCovered(
        keys=found.keys, sets=found.sets, steps=found.steps, exhausted=found.exhausted and not unsure,
        stopped_by=found.stopped_by, seconds=found.seconds, unsure=unsure,
        points=decided.points,
    )  # fmt: skip


def search_all(
    document: MachineDocument,
    loops: list[ClosedLoop],
    effort: Effort,
    progress: Callable[[Progress], None] | None,
    on_slow_build: Callable[[], None] | None,
) -> list[Searched]:
    """Each loop searched; where the time is over or Ctrl-C comes, those that are left as far as nothing.

    Args:
        loops: without faults first.
    """
    searched: list[Searched] = []

    @cache
    def for_sets(number: int) -> ClosedLoop:
        return loop_for_sets(loops[number])

    try:
        with _building(loops, for_sets, effort, on_slow_build) as libraries:
            plan = _Plan(document, loops, for_sets, libraries, effort, progress)
            few = True
            for number in range(len(loops)):
                item = plan.search(number, few)
                few = few and item.exploration.exhausted
                searched.append(item)
                if item.exploration.stopped_by == "interrupt":
                    raise KeyboardInterrupt
    except OutOfTime:
        pass
    except KeyboardInterrupt:  # in a search, or while a checker was built
        effort.stop.set()
    return searched + [not_searched(loop, effort.ended_by) for loop in loops[len(searched) :]]


@contextmanager
def _building(
    loops: list[ClosedLoop],
    for_sets: Callable[[int], ClosedLoop],
    effort: Effort,
    on_slow_build: Callable[[], None] | None,
) -> Iterator[_Libraries]:
    """Builds in advance, in this order, what will most likely be asked for."""

    def checker(loop: ClosedLoop) -> Build:
        return lambda given: build_checker(loop, on_slow_build, given)

    def symbolic(number: int) -> Build:
        return lambda given: build_symbolic(step_source(for_sets(number)), given)

    singles, sets = [checker(loop) for loop in loops], [symbolic(number) for number in range(len(loops))]
    long = effort.states is None and _longest(loops[0]) > LONG
    early = [singles[0], *sets, *singles[1:]] if long else singles
    with built(early, effort) as waiting:
        ready = dict(zip(early, waiting, strict=True))

        def get(build: Build) -> Callable[[], FilePath]:
            return ready.get(build) or partial(build, effort)

        yield _Libraries([get(build) for build in singles], [get(build) for build in sets])


def _longest(loop: ClosedLoop) -> int:
    return max((clock.cell.high for clock in loop.clocks), default=0)


def not_searched(loop: ClosedLoop, stopped_by: str) -> Searched:
    """Of a search that was not begun: nothing is decided."""
    exploration = Exploration.not_run(loop.budget, loop.tick, stopped_by)
    return Searched(exploration, {name: unbroken(exploration) for name in loop.monitors.requirements}, ())
