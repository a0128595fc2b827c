"""Decides over sets of times what a search of single situations did not come to the end of.

What no set reports cannot happen: such a requirement holds. What a set reports is looked for in an exact
search, and called broken (or reached) only after a run of the loop's own statements has shown it; if that
search ends without it, it cannot happen either. What is neither shown nor ruled out stays undecided, and so
does all of a search that was cut short.

``from_anywhere`` asks for a way from each situation, and has sets of its own (``from_anywhere.py``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum
from pathlib import Path as FilePath

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.machine_file.machine import FromAnywhere

from ..loop.closed_loop import ClosedLoop
from ..loop.counterexample import Replay, replay
from ..loop.fewest_changes import FewestChanges
from .deployed_points import compare_with_deployed
from .engine_abi import Confirmation
from .from_anywhere import WaysToGoal, ways_to_goals
from .search import SetExploration, SymbolicSearch


class SetAnswer(Enum):
    """What sets say of something that may happen."""

    NEVER = "never"
    HAPPENS = "happens"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Decided:
    """What a search over sets says.

    Attributes:
        loop: the loop that was searched, for whoever tells the runs.
        exploration: what it came to.
        answers: of each requirement, counter and goal that was asked for.
        ticks: of those that happen, of a run that shows it.
        runs: of those that are told as a story, that run.
        ways: of each ``from_anywhere`` requirement that was asked for.
        covered: marks of coverage; empty if the search was cut short.
        points: of the stored sets, from which a step of the deployed controller led into them again.
    """

    loop: ClosedLoop
    exploration: SetExploration
    answers: dict[str, SetAnswer]
    ticks: dict[str, int]
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
        reported = set(search.reported())
        answers = {
            name: SetAnswer.NEVER if exploration.exhausted and name not in reported else SetAnswer.UNKNOWN
            for name in names
        }
        ticks: dict[str, int] = {}
        runs: dict[str, Replay] = {}
        fewest = FewestChanges(loop)

        def look_for(wanted: list[str]) -> None:
            for name, shown in search.confirm(wanted, deployed=deployed).items():
                if shown.ticks is not None:
                    answers[name] = SetAnswer.HAPPENS
                    ticks[name] = shown.ticks
                if shown.path is not None:
                    with suppress(OutOfTime):
                        look = effort.closing().look
                        runs[name] = fewest.of(replay(loop, shown.path, look=look), name, look=look)
                elif shown.found is Confirmation.IMPOSSIBLE and exploration.exhausted:
                    answers[name] = SetAnswer.NEVER

        # All at once, since one way often leads to several; then what is left, each by itself.
        wanted = [name for name in names if name in reported]
        if wanted and not effort.over:
            search.effort = effort.part(2)
            look_for(wanted)
        left = [name for name in wanted if answers[name] is SetAnswer.UNKNOWN]
        for number, name in enumerate(left if len(wanted) > 1 else []):
            if effort.over:
                break
            search.effort = effort.part(len(left) - number)
            look_for([name])
        covered = tuple(search.marks()) if exploration.exhausted else ()
        points = 0
        if deployed and exploration.exhausted:
            search.effort = effort
            with suppress(OutOfTime):
                points = compare_with_deployed(search, exploration.keys, deployed())
    return Decided(loop, exploration, answers, ticks, runs, ways, covered, points)
