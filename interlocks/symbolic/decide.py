"""Decides over sets of times what a search of single situations did not come to the end of.

What no set reports cannot happen: such a requirement holds. What a set reports is looked for in an exact
search, and called broken (or reached) only after a run of the loop's own statements has shown it; if that
search ends without it, it cannot happen either. What is neither shown nor ruled out stays undecided, and so
does all of a search that was cut short.

``from_anywhere`` asks for a way from each situation, and has sets of its own (``from_anywhere.py``).
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import FromAnywhere, Machine

from ..loop.closed_loop import ClosedLoop
from ..loop.counterexample import Replay, replay
from .from_anywhere import WaysToGoal, ways_to_goals
from .loop_for_sets import loop_for_sets
from .search import Confirmation, SetExploration, SymbolicSearch


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
        runs: of those that happen, a run that shows it.
        ways: of each ``from_anywhere`` requirement that was asked for.
        covered: marks of coverage; empty if the search was cut short.
    """

    loop: ClosedLoop
    exploration: SetExploration
    answers: dict[str, SetAnswer]
    runs: dict[str, Replay]
    ways: dict[str, WaysToGoal]
    covered: tuple[bool, ...]


def decide(
    machine: Machine, asked: Iterable[str], *, tick: Milliseconds, faults: int, effort: Effort
) -> Decided:
    """Answers for requirements, counters and goals by name.

    Raises:
        OutOfTime: if the effort is over before the search begins.
        ToolMissing: if there is no C compiler.
    """
    asked = list(asked)
    possible = {name for name, item in machine.requirements.items() if isinstance(item, FromAnywhere)}
    others = {name: item for name, item in machine.requirements.items() if name not in possible}
    loop = loop_for_sets(machine.model_copy(update={"requirements": others}), tick=tick, faults=faults)
    names = [
        name
        for name in asked
        if name in {*loop.requirement_names, *(name for name, _ in loop.monitors.goals)}
    ]
    ways: dict[str, WaysToGoal] = {}
    if not faults:
        wanted = [name for name in asked if name in possible]
        with suppress(OutOfTime):
            ways = ways_to_goals(machine, wanted, tick=tick, effort=effort.part(2))
    with SymbolicSearch(loop, effort=effort) as search:
        exploration = search.run()
        reported = set(search.reported())
        answers = {
            name: SetAnswer.NEVER if exploration.exhausted and name not in reported else SetAnswer.UNKNOWN
            for name in names
        }
        runs: dict[str, Replay] = {}

        def look_for(wanted: list[str]) -> None:
            for name, (found, path) in search.confirm(wanted).items():
                if path is not None:
                    answers[name] = SetAnswer.HAPPENS
                    with suppress(OutOfTime):
                        runs[name] = replay(loop, path, look=effort.closing().look)
                elif found is Confirmation.IMPOSSIBLE and exploration.exhausted:
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
    return Decided(loop, exploration, answers, runs, ways, covered)
