"""Strength: every weakening of a machine in turn, and whether a requirement notices it.

A weakening is *noticed* if some verdict becomes broken that was not before. Each is tried in this
order, and the first break ends it; every break found is a break of the weakened machine:

1. without faults, over every reachable situation, possibility included;
2. under each single fault of the signals that the weakened condition reads or concerns, which is
   where the second of two channels shows what it is there for;
3. under every single fault, if asked for: a search as large as the check itself, for each weakening.

For the second and third step weakenings are first asked in groups (``mutant_batches``), which rules
most of them out; what is said of each is what a search of its own would say.

A weakening is called unnoticed only when every search that may notice it went to its end: then either
the condition is superfluous, or a requirement is missing. Where step 3 was left out and could still
notice it, it is undecided, and listed like an unnoticed one.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace

from stillgate.controller.effort import Effort, OutOfTime, in_parallel
from stillgate.controller.machine_file.machine import FromAnywhere, Machine
from stillgate.controller.reading.reader import MachineDocument
from stillgate.sim_io.faults.fault_list import Fault

from ..checking.assumptions import assumptions_of
from ..checking.checker import required_faults
from ..exploration.parametric_checker import Answer, allowance
from ..loop.closed_loop import ClosedLoop
from ..results.verdict import CheckResult, Word
from ..results.weakenings import StrengthList, Weakening
from .mutant_batches import Waiting, groups_of, unnoticed_among
from .mutant_checkers import MutantCheckers
from .mutants import Candidate, Weakenings, weakenings_of

ABOUT = (
    "Weakened in turn: each atom of a condition taken as true and as false, each interlock, override and "
    "exit removed, each time zeroed and doubled. Noticed: a verdict becomes broken that was not before.",
)


def strength(
    document: MachineDocument,
    result: CheckResult,
    *,
    full: bool = False,
    effort: Effort | None = None,
    progress: Callable[[int, int], None] | None = None,
    on_slow_build: Callable[[], None] | None = None,
) -> StrengthList:
    """Every weakening of a machine file, judged at the tick and fault budget of a check of it.

    Args:
        result: the check of the same file: what is broken already notices nothing.
        full: look under every single fault before a weakening is called unnoticed.
        effort: of all searches together, one a thread at once; where it is over, the rest is undecided.
        progress: called with how many weakenings are judged and how many there are.
        on_slow_build: called before a compiler's slow very first call.

    Raises:
        ToolMissing: if there is no C compiler.
    """
    began = time.monotonic()
    found = weakenings_of(document)
    given = effort or Effort()
    with MutantCheckers(document.machine, result, found, given, on_slow_build) as checkers:
        judge = _Judge(document.machine, result, found, full, checkers, given)
        judged = _judged(judge, given, progress)
    return StrengthList(
        machine=document.machine.machine,
        tick=result.tick,
        faults=result.faults,
        weakenings=tuple(judged),
        assumptions=(
            *ABOUT,
            _how(result.faults, full, with_faults=judge.looks_at_faults()),
            *assumptions_of(document.machine, result.tick, result.faults),
        ),
        seconds=time.monotonic() - began,
        tick_caution=result.tick_caution,
    )


def _judged(judge: _Judge, effort: Effort, progress: Callable[[int, int], None] | None) -> list[Weakening]:
    candidates = judge.found.candidates
    judged: dict[int, Weakening] = {}

    def keep(number: int, item: Weakening) -> None:
        judged[number] = item
        if progress is not None:
            progress(len(judged), len(candidates))

    waiting: list[Waiting] = []
    with suppress(OutOfTime):
        builds = judge.checkers.needed(faulty=judge.looks_at_faults())
        list(in_parallel(lambda build: build(), builds, effort))
    for number, item in enumerate(in_parallel(judge.first, range(len(candidates)), effort)):
        if isinstance(item, Waiting):
            waiting.append(item)
        else:
            keep(number, item)
    for some in in_parallel(judge.together, judge.groups(waiting), effort):
        for number, found in some:
            keep(number, found)
    return [judged[number] for number in range(len(candidates))]


def _how(faults: int, full: bool, *, with_faults: bool) -> str:
    if not faults:
        return "Looked for without faults, in every reachable situation."
    if not with_faults:
        return (
            "Looked for without faults only, in every reachable situation: no requirement that is not "
            "broken already must withstand a fault."
        )
    if full:
        return "Looked for without faults and under every single fault, in every reachable situation."
    return (
        "Looked for without faults, and under every single fault of the signals that a weakened condition "
        "reads or concerns. A weakening that only another fault shows counts as undecided here."
    )


def _on(candidate: Candidate) -> tuple[str, ...]:
    return (candidate.switch,) if candidate.switch else ()


@dataclass
class _Judge:
    machine: Machine
    result: CheckResult
    found: Weakenings
    full: bool
    checkers: MutantCheckers
    effort: Effort

    # -- one weakening ---------------------------------------------------------------------

    def first(self, number: int) -> Weakening | Waiting:
        """What became of a weakening without faults, or under which faults it is still to be looked at."""
        candidate = self.found.candidates[number]
        try:
            self.effort.look()
            return self._first(number, candidate)
        except OutOfTime:
            return replace(candidate.weakening, reason="time was up before it was looked at")

    def _first(self, number: int, candidate: Candidate) -> Weakening | Waiting:
        """Raises: OutOfTime."""
        given = candidate.weakening
        if self.checkers.has_effect(candidate, 0):
            checker = self.checkers.plain(candidate)
            answer = checker.ask(
                _on(candidate),
                stop_at=self._events(checker.loop, 0),
                goals=self._lasting_goals(checker.loop),
                effort=self._each(),
            )
            noticed = self._noticed(given, checker.loop, answer)
            if noticed is not None:
                return noticed
            if not answer.complete:
                why = answer.why_open or f"stopped without a break within {answer.depth} ticks"
                return replace(given, reason=f"{why}, without faults")
        if not self.looks_at_faults():
            return self._unnoticed(candidate, "not noticed without faults")
        some = [item.number for step in self._steps(candidate) for item in step]
        return Waiting(number, candidate, tuple(some)) if some else self._left(candidate)

    def groups(self, waiting: list[Waiting]) -> list[tuple[Waiting, ...]]:
        """What is asked together: weakenings that have their switches in one machine."""
        alone = [item for item in waiting if not item.candidate.switch]
        with_switch = [item for item in waiting if item.candidate.switch]
        doubled = [item for item in with_switch if self.found.is_doubling(item.candidate)]
        switched = [item for item in with_switch if not self.found.is_doubling(item.candidate)]
        found = [*groups_of(switched), *groups_of(doubled), *((item,) for item in alone)]
        # The long ones first, so that at the end no processor waits for the last of them alone.
        return sorted(found, key=lambda group: -len({fault for item in group for fault in item.faults}))

    def together(self, group: tuple[Waiting, ...]) -> list[tuple[int, Weakening]]:
        """What became of each of a group under faults, by its number."""
        try:
            self.effort.look()
            checker = self.checkers.faulty(group[0].candidate)
        except OutOfTime:
            return [(item.number, self._late(item.candidate)) for item in group]
        alone = self._each()
        return [
            (item.number, self._concluded(item.candidate, ruled_out))
            for item, ruled_out in unnoticed_among(group, checker, self._events(checker.loop, 1), alone)
        ]

    def _concluded(self, candidate: Candidate, ruled_out: bool) -> Weakening:
        try:
            return self._left(candidate) if ruled_out else self._under_faults(candidate)
        except OutOfTime:
            return self._late(candidate)

    def _late(self, candidate: Candidate) -> Weakening:
        return replace(candidate.weakening, reason="time was up before every fault was looked at")

    def _steps(self, candidate: Candidate) -> list[list[Fault]]:
        """The faults to look at one after the other: those that can make a difference."""
        related, others = self._related_and_others(candidate)
        return [
            [item for item in faults if self.checkers.has_effect(candidate, item.number)]
            for faults in (related, others if self.full else ())
        ]

    def _related_and_others(self, candidate: Candidate) -> tuple[list[Fault], list[Fault]]:
        """Faults of the signals that a weakened condition reads or concerns, and all others."""
        related = [item for item in self.checkers.faults if item.subject in candidate.names]
        return related, [item for item in self.checkers.faults if item not in related]

    def _under_faults(self, candidate: Candidate) -> Weakening:
        """Raises: OutOfTime."""
        given = candidate.weakening
        for some in self._steps(candidate):
            if not some:
                continue
            self.effort.look()
            checker = self.checkers.faulty(candidate)
            allowed = [allowance(item.number) for item in some]
            answer = checker.ask(
                (*_on(candidate), *allowed), stop_at=self._events(checker.loop, 1), effort=self._each()
            )
            noticed = self._noticed(given, checker.loop, answer)
            if noticed is not None:
                return noticed
            if not answer.complete:
                why = answer.why_open or f"stopped after {answer.depth} ticks without a break"
                return replace(given, reason=why)
        return self._left(candidate)

    def _left(self, candidate: Candidate) -> Weakening:
        """Not noticed wherever it was looked for."""
        related, others = self._related_and_others(candidate)
        if not self.full and any(self.checkers.has_effect(candidate, item.number) for item in others):
            said = ", ".join(dict.fromkeys(item.subject for item in related))
            nor = f", nor under the faults of {said}" if related else "; it concerns no signal that can fail"
            return replace(candidate.weakening, reason=f"not noticed without faults{nor}")
        return self._unnoticed(candidate, "not noticed without faults nor under any single fault")

    def _unnoticed(self, candidate: Candidate, reason: str) -> Weakening:
        """Judged to the end: no requirement notices it, perhaps because it makes no difference at all.

        What the check left undecided might have noticed it.
        """
        if any(item.verdict is Word.UNDECIDED for item in self.result.requirements):
            return replace(candidate.weakening, reason=f"{reason}, but the check left requirements undecided")
        faults = self.checkers.faults if self.looks_at_faults() else ()
        if any(self.checkers.has_effect(candidate, number) for number in (0, *(f.number for f in faults))):
            return replace(candidate.weakening, noticed=False, reason=reason)
        under = " and under every single fault" if faults else ""
        reason = f"the same steps in every reachable situation, without faults{under}"
        return replace(candidate.weakening, noticed=False, reason=reason, equivalent=True)

    def _noticed(self, given: Weakening, loop: ClosedLoop, answer: Answer) -> Weakening | None:
        if answer.event is not None:
            fault = next((item.name for item in loop.faults if item.number == answer.fault), "")
            name = loop.requirement_names[answer.event]
            return replace(
                given, noticed=True, by=name, faults=int(bool(fault)), fault=fault, depth=answer.depth
            )
        goals = [name for name, _ in loop.monitors.goals]
        broken = self._already_broken(0)
        for number in sorted(answer.cut_off | answer.never):
            if goals[number] not in broken:
                return replace(given, noticed=True, by=goals[number])
        return None

    # -- what counts -----------------------------------------------------------------------

    def _events(self, loop: ClosedLoop, faults: int) -> list[int]:
        """Breaks that count under so many faults and were not there before."""
        broken = self._already_broken(faults)
        return [
            number
            for number, name in enumerate(loop.requirement_names)
            if name not in broken and self._counts(name, faults)
        ]

    def _counts(self, name: str, faults: int) -> bool:
        requirement = self.machine.requirements.get(name)
        if requirement is None:
            return not faults  # a counter's bounds: broken without faults
        return required_faults(self.machine, requirement) >= faults

    def looks_at_faults(self) -> bool:
        """Whether a break under a fault could notice anything."""
        if not self.result.faults:
            return False
        broken = self._already_broken(1)
        return any(name not in broken and self._counts(name, 1) for name in self.machine.requirements)

    def _already_broken(self, faults: int) -> set[str]:
        found = {
            item.name
            for item in self.result.requirements
            for judgement in item.judgements
            if judgement.word in (Word.BROKEN, Word.UNDECIDED) and judgement.faults <= faults
        }
        return found | {item.subject for item in self.result.findings if item.breaks}

    def _lasting_goals(self, loop: ClosedLoop) -> list[int] | None:
        """Goals that must stay within reach from anywhere; None where there are no goals at all."""
        broken = self._already_broken(0)
        names = [name for name, _ in loop.monitors.goals]
        return [
            number
            for number, name in enumerate(names)
            if isinstance(self.machine.requirements[name], FromAnywhere) and name not in broken
        ] if names else None  # fmt: skip

    def _each(self) -> Effort:
        """Of one search among those side by side."""
        return self.effort.share(self.effort.lines)
