"""What breaks in a loop, whichever search finds it out: single situations first, then sets of times.

The policy is that of a check (``search_plan``), for whoever asks the same of other loops: layers,
weakenings, versions. Single situations give the shortest stories and find what lies near the start; where
they are too many, sets of times are asked for what is not decided, and what these leave open is put to single
situations once more. Who asks learns what breaks, with a run, what does not, and what is open, and not which
search said so.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path as FilePath

from stillgate.controller.effort import Effort, OutOfTime

from ..exploration.explorer import Progress, Status
from ..exploration.search import Break, Search, build_checker
from ..loop.closed_loop import ClosedLoop
from ..results.verdict import Exploration, Judgement, Word
from ..symbolic.lowering_for_sets import loop_for_sets
from ..symbolic.set_answers import SetAnswer, decide
from . import search_plan
from .judgements import judgement_of, unbroken


@dataclass(frozen=True)
class WhatBroke:
    """What is known of some requirements that may break.

    Attributes:
        exploration: what was covered of single situations, and of sets if they were asked.
        breaks: of those that break, a run: a shortest one where single situations found it.
        open: those of which it was not found out.
    """

    exploration: Exploration
    breaks: dict[str, Break]
    open: frozenset[str]

    def judgement(self, loop: ClosedLoop, name: str) -> Judgement:
        """What is said of a requirement of the loop."""
        if name in self.breaks:
            return judgement_of(self.exploration, name, loop.machine.requirements[name], self.breaks[name])
        if name in self.open:
            return unbroken(replace(self.exploration, exhausted=False))
        return Judgement(Word.HOLDS, loop.budget, loop.tick)


def what_breaks(
    loop: ClosedLoop,
    names: Collection[str],
    effort: Effort,
    *,
    few: bool,
    library: FilePath | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> WhatBroke:
    """Which of some events of a loop's ``requirement_names`` happen.

    A search ends once all of them have.

    Args:
        effort: of all searches together; a cap of situations on it leaves sets out.
        few: whether the machine was found to have so few situations that many more may be tried here.
        library: of the loop's checker, where it is built already.

    Raises:
        OutOfTime: if the effort is over before the checker is built.
        ToolMissing: if there is no C compiler.
    """
    built = build_checker(loop, effort=effort) if library is None else library
    most = search_plan.MANY if few else search_plan.FEW
    if effort.states is not None:
        most = effort.states
    found = _one_by_one(loop, names, replace(effort, states=most), built, progress)
    capped = found.exploration.stopped_by == Status.STATE_CAP.words
    if not found.open or effort.states is not None or not capped or effort.over:
        return found
    with suppress(OutOfTime):
        found = _by_sets(loop, found, effort)
    if not found.open or effort.over or few:
        return found
    again = _one_by_one(loop, found.open, replace(effort, states=search_plan.MANY), built, progress)
    exploration = replace(again.exploration, sets=found.exploration.sets)
    return WhatBroke(exploration, found.breaks | again.breaks, again.open)


def _one_by_one(
    loop: ClosedLoop,
    names: Collection[str],
    effort: Effort,
    library: FilePath,
    progress: Callable[[Progress], None] | None,
) -> WhatBroke:
    indices = [loop.requirement_names.index(name) for name in names]
    # Nothing leans on the figures of a search that ended when everything was broken.
    exploration = Exploration.not_run(loop.budget, loop.tick, "every requirement broken")

    def look(now: Progress) -> None:
        if progress is not None:
            progress(now)
        if all(search.has_broken(index) for index in indices):
            raise _AllBrokenError

    with Search(loop, library, effort) as search:
        with suppress(_AllBrokenError):
            exploration = search.run(look)
        breaks = {name: item for name, item in search.breaks().items() if name in names}
    left = frozenset() if exploration.exhausted else frozenset(names) - breaks.keys()
    return WhatBroke(exploration, breaks, left)


class _AllBrokenError(Exception):
    """Raised from a search's progress to end it: there is nothing left to find."""


def _by_sets(loop: ClosedLoop, found: WhatBroke, effort: Effort) -> WhatBroke:
    """What sets say of what is open.

    Raises:
        OutOfTime: if the effort is over before their search begins.
    """
    decided = decide(loop_for_sets(loop), sorted(found.open), effort=effort)
    told = {
        name: Break(decided.ticks[name], decided.runs.get(name))
        for name in found.open
        if decided.answers[name] is SetAnswer.HAPPENS
    }
    left = frozenset(name for name in found.open if decided.answers[name] is SetAnswer.UNKNOWN)
    exploration = replace(found.exploration, sets=decided.exploration.covered())
    return WhatBroke(exploration, found.breaks | told, left)
