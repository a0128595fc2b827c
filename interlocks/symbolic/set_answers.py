"""Decides over sets of times what a search of single situations did not come to the end of.

What no set reports cannot happen: such a requirement holds. What a set reports is looked for in an exact
search, and called broken (or reached) only after a run of the loop's own statements has shown it; if that
search ends without it, it cannot happen either. What is neither shown nor ruled out stays undecided, and so
does all of a search that was cut short.

``from_anywhere`` asks for a way from each situation, and has sets of its own (``from_anywhere.py``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum
from pathlib import Path as FilePath

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.machine_file.machine import FromAnywhere

from ..loop.closed_loop import ClosedLoop
from ..loop.counterexample import Path, Replay, replay
from ..loop.fewest_changes import FewestChanges
from ..loop.interpreter import LoopRunner
from .deployed_points import compare_with_deployed
from .engine_abi import Confirmation
from .explored import SetExploration, Shown
from .from_anywhere import WaysToGoal, ways_to_goals
from .known_runs import found_after, in_another_loop, runs_to_goals
from .search import SymbolicSearch


class SetAnswer(Enum):
    """What sets say of something that may happen."""

    NEVER = "never"
    HAPPENS = "happens"
    UNKNOWN = "unknown"

    @property
    def happens(self) -> bool | None:
        """Whether it may happen; None where that is not known."""
        return None if self is SetAnswer.UNKNOWN else self is SetAnswer.HAPPENS


@dataclass(frozen=True)
class Answers:
    """What is known of things that may happen, by name.

    Attributes:
        answers: of each that was asked for.
        ticks: of those that happen, of a run that shows it: not always the shortest.
        paths: of those whose run was stepped in Python, that run.
    """

    answers: dict[str, SetAnswer]
    ticks: dict[str, int]
    paths: dict[str, Path]

    def add(self, shown: Mapping[str, Shown]) -> None:
        """Adds what a run in Python has shown to happen."""
        for name, item in shown.items():
            if item.ticks is not None and item.path is not None:
                self.answers[name] = SetAnswer.HAPPENS
                self.ticks[name], self.paths[name] = item.ticks, item.path

    def replayed(
        self, loop: ClosedLoop, effort: Effort, switches: Mapping[str, int] | None = None
    ) -> dict[str, Replay]:
        """The runs as stories tell them, as many as there is time for."""
        runs: dict[str, Replay] = {}
        runner = LoopRunner(loop, switches=switches) if self.paths else None
        with suppress(OutOfTime):
            for name, path in self.paths.items():
                look = effort.closing().look
                runs[name] = replay(loop, path, switches=switches, look=look, runner=runner)
        return runs


@dataclass(frozen=True)
class Decided(Answers):
    """What a search over sets says.

    Attributes:
        loop: the loop that was searched, for whoever tells the runs.
        exploration: what it came to.
        runs: of those that are told as a story, that run; none where the time was over before it was told.
        ways: of each ``from_anywhere`` requirement that was asked for.
        covered: marks of coverage; empty if the search was cut short.
        points: of the stored sets, from which a step of the deployed controller led into them again.
    """

    loop: ClosedLoop
    exploration: SetExploration
    runs: dict[str, Replay]
    ways: dict[str, WaysToGoal]
    covered: tuple[bool, ...]
    points: int = 0


def decide(
    loop: ClosedLoop,
    asked: Iterable[str],
    *,
    effort: Effort,
    library: FilePath | None = None,
    deployed: Callable[[], FilePath] | None = None,
) -> Decided:
    """Answers for requirements, counters and goals by name.

    Args:
        loop: as ``loop_for_sets`` gives it.
        library: of its symbolic checker, where it is built already.
        deployed: gives its checker with the deployed controller, in which runs to goals and points of what
            is stored are stepped.

    Raises:
        OutOfTime: if the effort is over before the search begins.
        ToolMissing: if there is no C compiler.
        ProgramFault: if the deployed controller leads out of what is stored.
    """
    asked = list(asked)
    requirements = loop.machine.requirements
    kept = [name for name in asked if isinstance(requirements.get(name), FromAnywhere)]
    ways: dict[str, WaysToGoal] = {}
    if kept and not loop.budget:
        with suppress(OutOfTime):
            ways = ways_to_goals(loop.machine, kept, tick=loop.tick, effort=effort.part(2))
    judged = {*loop.requirement_names, *(name for name, _ in loop.monitors.goals)} - set(kept)
    names = [name for name in asked if name in judged]
    with SymbolicSearch(loop, effort=effort, library=library) as search:
        exploration = search.run()
        found = answers_of(search, names, exhausted=exploration.exhausted, effort=effort, deployed=deployed)
        _look_further(search, found, effort)
        covered = tuple(search.marks()) if exploration.exhausted else ()
        points = 0
        if deployed and exploration.exhausted:
            search.effort = effort
            with suppress(OutOfTime):
                points = compare_with_deployed(search, exploration.keys, deployed())
    fewest = FewestChanges(loop)
    runs = {
        name: fewest.of(run, name, look=effort.closing().look)
        for name, run in found.replayed(loop, effort).items()
    }
    return Decided(
        answers=found.answers, ticks=found.ticks, paths=found.paths, loop=loop, exploration=exploration,
        runs=runs, ways=ways, covered=covered, points=points,
    )  # fmt: skip


def _look_further(search: SymbolicSearch, found: Answers, effort: Effort) -> None:
    """Looks for what is neither shown nor ruled out after known runs, which without faults meet goals."""
    left = [name for name, said in found.answers.items() if said is SetAnswer.UNKNOWN]
    loop, reported = search.loop, search.reported()
    left = [name for name in left if name in reported and name in loop.requirement_names]
    if not left or effort.over:
        return
    with suppress(OutOfTime):
        runs = runs_to_goals(loop.machine, tick=loop.tick, effort=effort.part(2))
        search.effort = effort.part(2)
        found.add(found_after(search, left, map(in_another_loop, runs)))


def answers_of(
    search: SymbolicSearch,
    names: Sequence[str],
    *,
    exhausted: bool,
    effort: Effort,
    deployed: Callable[[], FilePath] | None = None,
    singly: bool = True,
    met: Callable[[str, Path], None] = lambda name, path: None,
    told: Callable[[str], bool] = lambda name: True,
) -> Answers:
    """What a search over sets that was run says of things that may happen; runs are looked for.

    Args:
        exhausted: whether it came to its end.
        deployed: as ``decide``.
        singly: what was not found in a search for all is looked for once more, each by itself.
        met: is shown each run as it is found.
        told: whether a run of something is wanted still; what is not stays unknown.
    """
    answers = only_ruled_out(search, names, exhausted)
    ticks: dict[str, int] = {}
    paths: dict[str, Path] = {}

    def look_for(wanted: list[str]) -> None:
        for name, shown in search.confirmed(wanted, deployed=deployed, told=told):
            if shown.ticks is not None:
                answers[name] = SetAnswer.HAPPENS
                ticks[name] = shown.ticks
            if shown.path is not None:
                paths[name] = shown.path
                met(name, shown.path)
            elif shown.found is Confirmation.IMPOSSIBLE and exhausted:
                answers[name] = SetAnswer.NEVER

    # All at once, since one way often leads to several; then what is left, one by one.
    reported = set(search.reported())
    wanted = [name for name in names if name in reported]
    if wanted and not effort.over:
        search.effort = effort.part(2)
        look_for(wanted)
    left = [name for name in wanted if answers[name] is SetAnswer.UNKNOWN and told(name)]
    for number, name in enumerate(left if singly and len(wanted) > 1 else []):
        if effort.over:
            break
        search.effort = effort.part(len(left) - number)
        look_for([name])
    return Answers(answers, ticks, paths)


def only_ruled_out(search: SymbolicSearch, names: Iterable[str], exhausted: bool) -> dict[str, SetAnswer]:
    """What a search over sets says by itself: what it does not report, once exhausted, does not happen."""
    reported = set(search.reported())
    return {
        name: SetAnswer.NEVER if exhausted and name not in reported else SetAnswer.UNKNOWN for name in names
    }
