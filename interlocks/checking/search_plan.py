"""How each question of a check is searched: the machine as a whole or in slices, one by one or in sets.

Single situations give the shortest stories, and where times are short they are few. Where times are long
their number has no end, and sets of times do not care. So a search of single situations goes first, for a
second; where it does not come to its end, sets go on, and where single situations without faults were too
many, those with a fault are not begun. What sets leave open is put to single situations once more, up to
``MANY``.

Before sets are asked it is looked at what can affect what (``slice_groups``). Where that is not all for
all, each slice is searched by itself, in the same way, the smallest first, and each gets its part of the
time that is left. Where one time or counter alone has more than ``FEW`` values, slices are asked at once,
unless they are many: each is built by itself, which takes longer than to see how far single situations go.

Who wants to compare the two ways asks for one of them, or for both (``By``): then the whole machine is
searched, and two verdicts of a requirement that contradict each other are a fault of the program.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from enum import Enum
from functools import partial
from pathlib import Path as FilePath

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.errors import ProgramFault
from stillgate.controller.reading.reader import MachineDocument

from ..exploration.explorer import Progress, Status
from ..exploration.search import Build, built
from ..loop.closed_loop import ClosedLoop
from ..results.verdict import Finding, Judgement, SliceCovered, Word
from ..slicing.slice_groups import SlicedLoop, sliced, weights_of
from ..slicing.slices import names_of
from .loop_search import LoopSearch, Once, Searched
from .most_values import dearest

FEW = 300_000
"""Situations without faults that are searched one by one before sets of times are tried."""

MANY = 4_000_000
"""The same with a fault, where the search without faults came to its end, and for what sets leave open."""

SEVERAL = 8
"""Slices from which on single situations of the whole are tried in any case."""

LONG = 150
"""Ticks of a machine's longest time from which on sets are built beside the first search."""

TOO_MANY = "number of situations"
"""What stopped a search that was not begun because single situations would be too many."""

ALONE = "choice of sets alone"
"""The same where only sets of times were asked for."""


class By(Enum):
    """What a check searches."""

    LEAST = "least"  # what takes least, as this module has it
    SITUATIONS = "situations"  # every situation by itself
    SETS = "sets"  # sets of times
    BOTH = "both"  # each, one held against the other


Told = Callable[[str, Judgement], None]
"""Is told each decided verdict of a sliced machine as soon as it is there: requirement and judgement."""

Slices = list[tuple[SlicedLoop, LoopSearch]]


class _Plan:
    """The searches of a check.

    Args:
        wholes: of the machine, without faults first.
        slices: of each the slices, worked out when first asked for; none if all can affect all.
    """

    def __init__(
        self,
        document: MachineDocument,
        wholes: list[LoopSearch],
        slices: list[Once[Slices]],
        effort: Effort,
        told: Told | None,
        *,
        by: By,
    ) -> None:
        self.by = by
        self.document = document
        self.wholes = wholes
        self.slices = slices
        self.effort = effort
        self.told = told
        self.few_in_all = True  # all single situations without faults were not too many
        self.few_for: set[str] = set()  # requirements of slices of which the same is so

    def search(self, number: int) -> Searched:
        """What is said of one question."""
        searched = self._search(number)
        return searched if searched.exploration.slices else _explained(searched, self.wholes[number].loop)

    def _search(self, number: int) -> Searched:
        whole, effort = self.wholes[number], self.effort
        if self.by is not By.LEAST:
            return self._as_asked(whole)
        capped = effort.states is not None  # who caps situations wants them searched
        searched = whole.nothing(TOO_MANY)
        self.few_in_all = self.few_in_all and not self._at_once_by_slices(number, effort)
        if capped or self.few_in_all:
            searched = whole.single(effort.states or (MANY if number else FEW), effort)
            self.few_in_all = searched.exploration.exhausted
            if self.few_in_all or effort.over or searched.exploration.stopped_by == Status.INTERRUPT.words:
                return searched
        slices = self.slices[number](effort)
        if slices:
            return self._by_slices(number, searched, slices)
        if capped or searched.exploration.stopped_by not in (Status.STATE_CAP.words, TOO_MANY):
            return searched  # out of memory, which sets would be as well
        return whole.with_sets(searched, MANY, effort)

    def _as_asked(self, whole: LoopSearch) -> Searched:
        """The machine searched in the way that was asked for."""
        effort = self.effort
        if self.by is By.SETS:
            return whole.sets(whole.nothing(ALONE), effort)
        single = whole.single(effort.states, effort)
        if self.by is By.SITUATIONS or effort.over:
            return single
        by_sets = whole.sets(whole.nothing(ALONE), effort)
        for name, said in by_sets.judgements.items():
            _hold_against(name, single.judgements[name], said)
        return replace(single, exploration=replace(single.exploration, sets=by_sets.exploration.sets))

    def _by_slices(self, number: int, searched: Searched, slices: Slices) -> Searched:
        """What the slices say of what a search of the whole left undecided."""
        effort = self.effort
        judgements = dict(searched.judgements)
        findings = list(searched.findings)
        covered: list[SliceCovered] = []
        self._tell(judgements)
        with built(self._early(number, slices), effort):
            for index, (part, search) in enumerate(slices):
                share = effort.part(len(slices) - index)
                found = _explained(self._search_slice(number, part, search, share), part.loop)
                fresh = {
                    name: replace(found.judgements[name], left_out=part.left_out)
                    for name in part.requirements
                    if judgements[name].word is Word.UNDECIDED
                }
                judgements |= fresh
                self._tell(fresh)
                findings += _new(found.findings, findings)
                kept = tuple(n for n in names_of(self.document.machine) if n not in part.left_out)
                covered.append(SliceCovered(part.requirements, kept, part.left_out, found.exploration))
                if found.exploration.stopped_by == Status.INTERRUPT.words:
                    effort.stop.set()  # what is left is not begun
        exploration = replace(searched.exploration, slices=tuple(covered))
        if any(item.exploration.stopped_by == Status.INTERRUPT.words for item in covered):
            exploration = replace(exploration, stopped_by="interrupt")
        return Searched(exploration, judgements, tuple(findings))

    def _search_slice(self, number: int, part: SlicedLoop, search: LoopSearch, effort: Effort) -> Searched:
        try:
            effort.look()
            if effort.states is not None:
                return search.single(effort.states, effort)
            searched = search.nothing(TOO_MANY)
            if self._few(number, part):
                searched = search.single(MANY if number else FEW, effort)
                if searched.exploration.exhausted:
                    self.few_for.update(part.requirements)
                if searched.exploration.stopped_by != Status.STATE_CAP.words or effort.over:
                    return searched
            return search.with_sets(searched, MANY, effort)
        except OutOfTime:  # while a checker was built
            return search.nothing(effort.ended_by)
        except KeyboardInterrupt:
            effort.stop.set()
            return search.nothing(effort.ended_by)

    def _few(self, number: int, part: SlicedLoop) -> bool:
        """Whether single situations of a slice are worth a try."""
        if part.size <= FEW or (number and self.few_for.issuperset(part.requirements)):
            return True
        return not number and not _is_hopeless(part.loop)

    def _at_once_by_slices(self, number: int, effort: Effort) -> bool:
        """Whether the whole most likely has too many single situations, and a few slices instead."""
        return _is_hopeless(self.wholes[number].loop) and 0 < len(self.slices[number](effort)) < SEVERAL

    def _early(self, number: int, slices: Slices) -> list[Build]:
        """What is built in advance for slices, in this order."""
        builds: list[Build] = []
        for part, search in slices:
            few = self.effort.states is not None or self._few(number, part)
            builds += [search.checker] if few else []
            builds += [search.symbolic] if self.effort.states is None and part.size > FEW else []
        return builds

    def _tell(self, judgements: dict[str, Judgement]) -> None:
        for name, judgement in judgements.items():
            if self.told is not None and judgement.word is not Word.UNDECIDED:
                self.told(name, judgement.at_scan(self.document.machine.scan))

    def singles_in_advance(self, effort: Effort) -> FilePath:
        """Builds what the first search of single situations needs, the machine's or that of its slices."""
        searches = [self.wholes[0]]
        if self._at_once_by_slices(0, effort):
            searches = [search for part, search in self.slices[0](effort) if self._few(0, part)] or searches
        return [search.checker(effort) for search in searches][-1]

    def sets_in_advance(self, number: int, effort: Effort) -> FilePath:
        """Builds what sets of a question need, the machine's or that of its slices."""
        return [search.symbolic(effort) for search in self._searches(number, effort)][-1]

    def deployed_in_advance(self, number: int, effort: Effort) -> FilePath:
        """Builds what stored sets of a question are compared with."""
        return [search.checker(effort) for search in self._searches(number, effort)][-1]

    def _searches(self, number: int, effort: Effort) -> list[LoopSearch]:
        slices = self.slices[number](effort)
        return [search for part, search in slices if part.requirements] or [self.wholes[number]]


def _explained(searched: Searched, loop: ClosedLoop) -> Searched:
    """What a search left undecided, with what has the most values in its loop."""
    words = dearest(loop)
    if not words or not (searched.exploration.states or searched.exploration.sets):
        return searched
    judgements = {
        name: replace(item, reason=f"{item.reason}; {words}") if item.word is Word.UNDECIDED else item
        for name, item in searched.judgements.items()
    }
    return replace(searched, judgements=judgements)


def _hold_against(name: str, single: Judgement, said: Judgement) -> None:
    """Raises: ProgramFault: if single situations and sets contradict each other."""
    words = {single.word, said.word} - {Word.UNDECIDED}
    earlier = single.depth is not None and said.depth is not None and said.depth < single.depth
    if len(words) > 1 or (words == {Word.BROKEN} and earlier):
        raise ProgramFault(
            f"of {name} single situations say {single.word.value} ({single.depth} ticks), "
            f"sets of times {said.word.value} ({said.depth} ticks)"
        )


def _new(findings: tuple[Finding, ...], known: list[Finding]) -> list[Finding]:
    """Findings that another slice has not told: what is in both is the same in both."""
    told = {(item.kind, item.subject) for item in known}
    return [item for item in findings if (item.kind, item.subject) not in told]


def search_all(
    document: MachineDocument,
    loops: list[ClosedLoop],
    effort: Effort,
    *,
    progress: Callable[[Progress], None] | None = None,
    on_slow_build: Callable[[], None] | None = None,
    on_decided: Told | None = None,
    by: By = By.LEAST,
) -> list[Searched]:
    """Each loop searched; where the time is over or Ctrl-C comes, those that are left as far as nothing.

    Args:
        loops: without faults first; none where the time was over before there was one.
        on_decided: is told the verdicts of a machine that is searched in slices, as soon as they are there.
    """

    def slices_of(loop: ClosedLoop, effort: Effort) -> Slices:
        return [
            (part, LoopSearch(document, part.loop, progress, on_slow_build, part.left_out))
            for part in sliced(loop)
        ]

    plan = _Plan(
        document,
        [LoopSearch(document, loop, progress, on_slow_build) for loop in loops],
        [Once(partial(slices_of, loop)) for loop in loops],
        effort,
        on_decided,
        by=by,
    )
    early: list[Build] = [search.checker for search in plan.wholes]
    if by in (By.SETS, By.BOTH):
        early += [search.symbolic for search in plan.wholes]
    elif by is By.LEAST and effort.states is None and loops and _longest(loops[0]) > LONG:
        early = [plan.singles_in_advance]
        for build in (plan.sets_in_advance, plan.deployed_in_advance):
            early += [partial(build, number) for number in range(len(loops))]
    searched: list[Searched] = []
    try:
        with built(early, effort):
            for number in range(len(loops)):
                item = plan.search(number)
                searched.append(item)
                if item.exploration.stopped_by == Status.INTERRUPT.words:
                    raise KeyboardInterrupt
    except OutOfTime:
        pass
    except KeyboardInterrupt:  # in a search, or while a checker was built
        effort.stop.set()
    return searched + [item.nothing(effort.ended_by) for item in plan.wholes[len(searched) :]]


def _is_hopeless(loop: ClosedLoop) -> bool:
    """Whether one sequence, part or memory alone has too many values to be searched one by one."""
    return max(weights_of(loop).values()) > FEW


def _longest(loop: ClosedLoop) -> int:
    return max((clock.cell.high for clock in loop.clocks), default=0)
