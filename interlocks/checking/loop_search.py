"""How one closed loop is searched: situation by situation, or in sets of times, and what that says.

The loop is the machine's or that of a slice of it. What a slice breaks is stepped on the whole machine
before its story is told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path as FilePath
from threading import Lock
from typing import Generic, TypeVar

from stillgate.controller.effort import LOOK_EVERY, Effort, OutOfTime
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import FromAnywhere, Reach
from stillgate.controller.reading.reader import MachineDocument

from ..exploration.explorer import Progress
from ..exploration.search import Break, Search, build_checker
from ..loop.closed_loop import ClosedLoop
from ..loop.counterexample import Replay
from ..results.verdict import Exploration, Finding, FindingKind, Judgement, Word
from ..slicing.run_on_whole import lifted_run
from ..symbolic.lowering_for_sets import loop_for_sets
from ..symbolic.search import build_symbolic
from ..symbolic.set_answers import Decided, SetAnswer, decide
from ..symbolic.step.emit_step import step_source
from .coverage import coverage_findings
from .judgements import bounds_finding, deadlock_finding, judgement_of, kept_possible, possibility, unbroken

T = TypeVar("T")


class Once(Generic[T]):
    """Something that is made once, by whoever asks first; others wait for it."""

    def __init__(self, make: Callable[[Effort], T]) -> None:
        self._make = make
        self._lock = Lock()
        self._made: list[T] = []

    def __call__(self, effort: Effort) -> T:
        """The thing.

        Raises:
            OutOfTime: if the effort is over before it is there.
        """
        while not self._lock.acquire(timeout=LOOK_EVERY):  # so that Ctrl-C is heard
            effort.look()
        try:
            if not self._made:
                self._made.append(self._make(effort))
            return self._made[0]
        finally:
            self._lock.release()


@dataclass(frozen=True, slots=True)
class Searched:
    """What was searched for one question, and what it says of each requirement."""

    exploration: Exploration
    judgements: Mapping[str, Judgement]
    findings: tuple[Finding, ...]


class LoopSearch:
    """The searches of one loop.

    Args:
        left_out: names of the machine's elements that are not in the loop; empty for the machine's own.

    Attributes:
        checker, symbolic: its libraries, built when first asked for.
    """

    def __init__(
        self,
        document: MachineDocument,
        loop: ClosedLoop,
        progress: Callable[[Progress], None] | None,
        on_slow_build: Callable[[], None] | None,
        left_out: tuple[str, ...] = (),
    ) -> None:
        self.document = document
        self.loop = loop
        self.left_out = left_out
        self._progress = progress
        self._for_sets = Once(lambda effort: loop_for_sets(loop))
        self.checker: Once[FilePath] = Once(lambda effort: build_checker(loop, on_slow_build, effort))
        self.symbolic: Once[FilePath] = Once(self._symbolic)

    def _symbolic(self, effort: Effort) -> FilePath:
        effort.look()  # as for the checker
        return build_symbolic(step_source(self._for_sets(effort)), effort)

    def single(self, states: int | None, effort: Effort) -> Searched:
        """A search of at most so many situations, or of all, one by one.

        Raises:
            OutOfTime: if the effort is over before it begins.
        """
        loop, document = self.loop, self.document
        with Search(loop, self.checker(effort), replace(effort, states=states)) as search:
            exploration = search.run(self._progress)
            broken = {name: self._shown(name, item, effort) for name, item in search.breaks().items()}
            judgements: dict[str, Judgement] = {}
            findings: list[Finding] = []
            for name in loop.monitors.requirements:
                requirement = loop.machine.requirements[name]
                if isinstance(requirement, Reach | FromAnywhere):
                    judgements[name] = possibility(
                        search, exploration, name, requirement, lambda run: self._on_whole(run, None, effort)
                    )
                else:
                    judgements[name] = judgement_of(exploration, name, requirement, broken.get(name))
            for name in self._counters:
                if name in broken:
                    findings.append(bounds_finding(document, name, broken[name], loop.budget))
            if not loop.budget and exploration.exhausted:
                findings += coverage_findings(document, loop, search.marks())
                if not self.left_out:  # what goes on outside a slice is a way on, too
                    findings += deadlock_finding(document, search)
            if search.interrupted:  # perhaps only once every situation was found, on the ways back from them
                exploration = replace(exploration, stopped_by="interrupt")
        return Searched(exploration, judgements, tuple(findings))

    def sets(self, searched: Searched, effort: Effort) -> Searched:
        """What sets of times say of what a search of single situations left undecided."""
        loop = self.loop
        known = {item.subject for item in searched.findings if item.kind is FindingKind.BOUNDS}
        asked = [name for name, item in searched.judgements.items() if item.word is Word.UNDECIDED]
        try:
            decided = decide(
                self._for_sets(effort),
                [*asked, *self._counters],
                effort=effort,
                library=self.symbolic(effort),
                deployed=lambda: self._deployed(effort),
            )
        except OutOfTime:
            return searched
        judgements = dict(searched.judgements)
        for name in asked:
            said = self._judged(name, searched.exploration, decided, effort)
            judgements[name] = said or judgements[name]
        findings = list(searched.findings)
        for name in self._counters:
            if name not in known and name in decided.runs:
                run = decided.runs[name]
                found = self._shown(name, Break(len(run.ticks), run), effort)
                findings.append(bounds_finding(self.document, name, found, loop.budget))
        if not loop.budget and decided.exploration.exhausted:
            findings += coverage_findings(self.document, decided.loop, list(decided.covered))
        unsure = tuple(
            name
            for name in self._counters
            if name not in known and decided.answers.get(name) is SetAnswer.UNKNOWN
        )
        exploration = replace(searched.exploration, sets=decided.exploration.covered(unsure, decided.points))
        return Searched(exploration, judgements, tuple(findings))

    def with_sets(self, searched: Searched, many: int, effort: Effort) -> Searched:
        """Sets of times, then once more single situations, up to so many, for what they leave open."""
        by_sets = self.sets(searched, effort)
        if effort.over or not any(item.word is Word.UNDECIDED for item in by_sets.judgements.values()):
            return by_sets
        again = self.single(many, effort)
        if again.exploration.exhausted:
            return again
        judgements = {
            name: by_sets.judgements[name] if item.word is Word.UNDECIDED else item
            for name, item in again.judgements.items()
        }
        exploration = replace(again.exploration, sets=by_sets.exploration.sets)
        return Searched(exploration, judgements, by_sets.findings)

    def nothing(self, stopped_by: str) -> Searched:
        """Of a search that was not begun: nothing is decided."""
        loop = self.loop
        return not_searched(loop.budget, loop.tick, loop.monitors.requirements, stopped_by)

    @property
    def _counters(self) -> tuple[str, ...]:
        return self.loop.requirement_names[: len(self.loop.controller.bounds_marks)]

    def _deployed(self, effort: Effort) -> FilePath:
        """The checker, deployed controller included, of the loop whose sets are searched."""
        own = self._for_sets(effort)
        return self.checker(effort) if own is self.loop else build_checker(own, effort=effort)

    def _judged(
        self, name: str, exploration: Exploration, decided: Decided, effort: Effort
    ) -> Judgement | None:
        loop = self.loop
        requirement = loop.machine.requirements[name]
        if isinstance(requirement, FromAnywhere):
            ways = decided.ways.get(name)
            if ways is not None and ways.run is not None:
                ways = replace(ways, run=self._on_whole(ways.run, None, effort))
            return kept_possible(ways, name, requirement, loop.tick)
        possible = isinstance(requirement, Reach)
        answer = decided.answers.get(name, SetAnswer.UNKNOWN)
        if answer is SetAnswer.NEVER:
            reason = "no reachable situation is like that" if possible else ""
            return Judgement(Word.BROKEN if possible else Word.HOLDS, loop.budget, loop.tick, reason=reason)
        if answer is SetAnswer.HAPPENS:
            ticks = decided.ticks[name]
            if possible:
                return Judgement(Word.HOLDS, loop.budget, loop.tick, ticks)
            found = self._shown(name, Break(ticks, decided.runs.get(name)), effort)
            return judgement_of(exploration, name, requirement, found)
        return None

    def _shown(self, name: str, found: Break, effort: Effort) -> Break:
        """A break with its run on the whole machine."""
        return found if found.run is None else replace(found, run=self._on_whole(found.run, name, effort))

    def _on_whole(self, run: Replay, breaks: str | None, effort: Effort) -> Replay | None:
        """A run as the whole machine does it; None if the time was over before."""
        if not self.left_out:
            return run
        with suppress(OutOfTime):
            return lifted_run(self.document.machine, run, breaks, look=effort.closing().look)
        return None


def not_searched(faults: int, tick: Milliseconds, requirements: Iterable[str], stopped_by: str) -> Searched:
    """Of a search that was not begun, of the requirements that it judges: nothing is decided."""
    exploration = Exploration.not_run(faults, tick, stopped_by)
    return Searched(exploration, {name: unbroken(exploration) for name in requirements}, ())
