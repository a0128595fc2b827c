"""One machine with switches that answers many questions: single situations first, then sets of times.

As ``ParametricChecker``, which searches single situations, for a machine that has too many: what a short
search of them does not decide is asked of sets, in one symbolic checker with the same switches. An answer
is *complete* where sets came to their end and nothing was left open: what breaks was shown by a run, what
is possible too, and nothing else happens.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path as FilePath
from threading import Lock

from stillgate.controller.effort import Effort, OutOfTime

from ..exploration.deployed_run import Happened, Picks, brief
from ..exploration.explorer import SearchOutcome, Status
from ..exploration.parametric_checker import OPEN, Answer, Copies, ParametricChecker
from ..exploration.search import Break
from ..loop.answers import answering, as_offered
from ..loop.closed_loop import ClosedLoop
from ..loop.counterexample import Path
from ..loop.interpreter import LoopRunner
from ..symbolic.explored import SetExploration
from ..symbolic.from_anywhere import MANNERS, Ways, ways_to
from ..symbolic.known_runs import found_after, longest_first
from ..symbolic.manners import WIDEST, Manner
from ..symbolic.search import SymbolicSearch, build_symbolic
from ..symbolic.set_answers import Answers, SetAnswer, answers_of, only_ruled_out
from ..symbolic.step.emit_step import step_source

NO_RUN = "sets of times do not rule a break out, and no run was found that shows one"

A_FEW = 50_000
"""Single situations of the short search that comes first."""


@dataclass(frozen=True)
class _Question:
    """What is asked of sets; ``either``: some switch is open."""

    library: FilePath
    switches: dict[str, int]
    stop_at: tuple[int, ...]
    note: tuple[int, ...]
    goals: Collection[int] | None
    either: bool
    runs: bool
    effort: Effort


class StagedChecker:
    """A compiled loop with switches, asked as a ``ParametricChecker`` is; a context manager.

    As many threads may ``ask`` as the effort has.

    Raises:
        ToolMissing: if there is no C compiler.
        OutOfTime: if the effort was over before the libraries were built.
    """

    def __init__(
        self,
        loop: ClosedLoop,
        *,
        effort: Effort,
        options: tuple[str, ...] | None = None,
        on_slow_build: Callable[[], None] | None = None,
    ) -> None:
        self.loop = loop
        self.effort = effort
        self.source = step_source(loop)
        self._copies = Copies(build_symbolic(self.source, effort), effort.lines)
        self.single = ParametricChecker(loop, effort=effort, options=options, on_slow_build=on_slow_build)
        self._lock = Lock()
        self._runs_to_goals: list[Picks] | None = None

    def __enter__(self) -> StagedChecker:
        self.single.__enter__()
        return self

    def __exit__(self, *error: object) -> None:
        self._copies.close()
        self.single.__exit__(*error)

    def ask(
        self,
        on: Collection[str],
        *,
        stop_at: Iterable[int] = (),
        note: Iterable[int] = (),
        goals: Collection[int] | None = None,
        either: Collection[str] = (),
        marks: bool = False,
        runs: bool = False,
        effort: Effort | None = None,
    ) -> Answer:
        """As ``ParametricChecker.ask``; runs found over sets need not be the shortest."""
        stop_at, note = tuple(stop_at), tuple(note)
        given = effort or self.effort
        few = replace(given, states=A_FEW)
        answer = self.single.ask(
            on, stop_at=stop_at, note=note, goals=goals, either=either, marks=marks, runs=runs, effort=few
        )
        capped = answer.outcome is not None and answer.outcome.status is Status.STATE_CAP
        if answer.event is not None or not capped or given.over:
            return answer
        switches = {name: OPEN if name in either else int(name in on) for name in self.source.switches}
        try:
            known = Happened({}, {}) if goals is None else self._known(on, given)
            broken = [(known.breaks[event], event) for event in stop_at if event in known.breaks]
            if broken:
                ticks, event = min(broken)
                return Answer(event, ticks, None)
            with self._copies.one() as library:
                asked = _Question(library, switches, stop_at, note, goals, bool(either), runs, given)
                return self._of_sets(asked, known)
        except OutOfTime:
            return answer

    def _of_sets(self, asked: _Question, known: Happened) -> Answer:
        """Raises: OutOfTime."""
        names = self.loop.requirement_names
        events = list(dict.fromkeys(names[event] for event in (*asked.stop_at, *asked.note)))
        # Whether goals stay possible is asked of sets in which turns of travels are kept.
        with self._search(asked, WIDEST if asked.goals is None else MANNERS[0]) as search:
            covered = search.run()
            if asked.either:  # a run would be of none of the machines that are asked about
                found = Answers(only_ruled_out(search, events, covered.exhausted), {}, {})
            else:
                found = answers_of(search, events, exhausted=covered.exhausted, effort=asked.effort)
            if asked.goals is not None:
                self._look_further(asked, search, found)
            answer = replace(self._answer(asked, found, covered), marks=tuple(search.marks()))
            if answer.event is not None:
                return answer
            if asked.runs:
                answer = replace(answer, runs=self._runs(asked, found))
            if asked.goals is None or not covered.exhausted:
                return answer
            return self._with_goals(asked, search, known, answer)

    def _look_further(self, asked: _Question, search: SymbolicSearch, found: Answers) -> None:
        """Looks for what is neither shown nor ruled out after runs that are known, too."""
        left = [name for name, said in found.answers.items() if said is SetAnswer.UNKNOWN]
        if any(
            found.answers[self.loop.requirement_names[event]] is SetAnswer.HAPPENS for event in asked.stop_at
        ):
            return
        search.effort = asked.effort
        runs = [[as_offered(picks) for picks in run] for run in longest_first(self._runs_to_goals or ())]
        found.add(found_after(search, left, runs))

    def _search(self, asked: _Question, manner: Manner) -> SymbolicSearch:
        return SymbolicSearch(
            self.loop, manner=manner, switches=asked.switches, effort=asked.effort, library=asked.library
        )

    def _known(self, on: Collection[str], effort: Effort) -> Happened:
        """What happens on the runs that meet goals where every switch is off.

        Most of a machine's small changes leave these runs as they are, and to look for them anew takes most
        of the time. Where one breaks a requirement, that is a break like any other.

        Raises: OutOfTime.
        """
        with self._lock:
            if self._runs_to_goals is None:
                self._runs_to_goals = self._met_by(effort)
        found = Happened({}, {})
        for run in self._runs_to_goals:
            found = found.or_earlier(self.single.happened_on(on, run))
        return found

    def _met_by(self, effort: Effort) -> list[Picks]:
        """Runs to goals where every switch is off. Raises: OutOfTime."""
        with (
            self._copies.one() as library,
            SymbolicSearch(self.loop, manner=MANNERS[0], effort=effort, library=library) as search,
        ):
            search.run()
            shown = search.confirm(self._goal_names, deployed=lambda: self.single.library)
        return list(dict.fromkeys(brief(item.picks) for item in shown.values() if item.picks))

    @property
    def _goal_names(self) -> list[str]:
        return [name for name, _ in self.loop.monitors.goals]

    def _answer(self, asked: _Question, found: Answers, covered: SetExploration) -> Answer:
        names = self.loop.requirement_names
        broken = [event for event in asked.stop_at if found.answers[names[event]] is SetAnswer.HAPPENS]
        if broken:
            ticks, event = min((found.ticks[names[event]], event) for event in broken)
            fault = self._fault(found.paths[names[event]], asked.switches)
            return Answer(event, ticks, None, fault=fault)
        open_ = SetAnswer.UNKNOWN in found.answers.values()
        outcome = SearchOutcome(
            status=Status.COMPLETE if covered.exhausted and not open_ else Status.STATE_CAP,
            states=0, transitions=covered.steps, levels=0, sizes=(0,), stuck=None,
            seconds=covered.seconds, bytes=covered.bytes, threads=self.effort.lines,
        )  # fmt: skip
        noted = [event for event in asked.note if found.answers[names[event]] is SetAnswer.HAPPENS]
        why = NO_RUN if covered.exhausted else f"sets of times were stopped by the {covered.stopped_by}"
        return Answer(None, 0, outcome, noted=frozenset(noted), why_open=why)

    def _fault(self, path: Path, switches: dict[str, int]) -> int:
        """The fault that has begun at the end of a run, 0 if none."""
        runner = LoopRunner(self.loop, switches=switches)
        runner.load(path.keys[-1])
        runner.step(answering(path.choices[-1]))
        return runner.fault if self.loop.budget else 0

    def _runs(self, asked: _Question, found: Answers) -> tuple[tuple[int, Break], ...]:
        told = found.replayed(self.loop, asked.effort, asked.switches)
        names = self.loop.requirement_names
        return tuple(
            (event, Break(found.ticks[names[event]], told.get(names[event])))
            for event in asked.note
            if names[event] in found.ticks
        )

    def _with_goals(
        self, asked: _Question, search: SymbolicSearch, known: Happened, answer: Answer
    ) -> Answer:
        """What must be possible: goals that are never met, and one that some situation leads to no more.

        What takes longest comes last: an exact search for goals that known runs do not meet.
        """
        names = self._goal_names
        never, left = self._unreported(search), set(asked.goals or ())
        for manner in MANNERS if left else ():
            with self._search(asked, manner) if manner is not MANNERS[0] else nullcontext(search) as turned:
                if turned is not search and not turned.run().exhausted:
                    break
                never |= self._unreported(turned)
                if never & left:
                    return replace(answer, never=frozenset(never))
                for number in sorted(left):
                    ways = ways_to(turned, names[number]).ways
                    if ways is Ways.CUT_OFF:
                        return replace(answer, cut_off=frozenset({number}), never=frozenset(never))
                    if ways is Ways.EVERYWHERE:
                        left.remove(number)
            if not left:
                break
        open_ = [name for number, name in enumerate(names) if number not in known.goals.keys() | never]
        rest = answers_of(search, open_, exhausted=True, effort=asked.effort).answers
        never |= {number for number, name in enumerate(names) if rest.get(name) is SetAnswer.NEVER}
        closed = not left and SetAnswer.UNKNOWN not in rest.values()
        return replace(answer, never=frozenset(never), closed=closed)

    def _unreported(self, search: SymbolicSearch) -> set[int]:
        reported = search.reported()
        return {number for number, name in enumerate(self._goal_names) if name not in reported}
