"""Runs that meet a machine's goals: where an exact search from power-on finds nothing, it goes on after them.

A machine that has to fill a frame before something can break takes a run of thousands of ticks there. With
faults, or among many requirements, such a run is easily missed; the machine without faults, asked for nothing
but its goals, mostly shows one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import FromAnywhere, Machine, Reach

from ..exploration.deployed_run import Picks
from ..loop.answers import Answers, answered, by_name, then_first
from ..loop.closed_loop import ClosedLoop, close_loop
from ..loop.interpreter import Chooser, LoopRunner
from .explored import Shown
from .lowering_for_sets import loop_for_sets
from .search import SymbolicSearch

MOST_RUNS = 3
"""Runs after which is looked further: the longest."""

MOST_AFTER = 50_000
"""Exact sets that are expanded after each."""

NamedRun = tuple[Answers, ...]
"""Answers of the start, then of each tick, by the names of choices: for loops that ask others besides."""


def longest_first(runs: Iterable[Picks]) -> list[Picks]:
    """The runs after which is looked further, each once."""
    return sorted(dict.fromkeys(runs), key=len, reverse=True)[:MOST_RUNS]


def runs_to_goals(machine: Machine, *, tick: Milliseconds, effort: Effort) -> list[NamedRun]:
    """The longest runs to goals of a machine without faults; none if it has no goals.

    Raises:
        OutOfTime: if the effort is over before they are found.
        ToolMissing: if there is no C compiler.
    """
    goals = {
        name: item for name, item in machine.requirements.items() if isinstance(item, Reach | FromAnywhere)
    }
    if not goals:
        return []
    bare = machine.model_copy(update={"requirements": goals})
    loop = loop_for_sets(close_loop(bare, tick=tick, faults=0))
    with SymbolicSearch(loop, effort=effort) as search:
        search.run()
        shown = search.confirm(name for name in goals if name in search.reported())
    return [_named(loop, run, effort) for run in longest_first(s.picks for s in shown.values() if s.picks)]


def _named(loop: ClosedLoop, run: Picks, effort: Effort) -> NamedRun:
    return tuple(answered(LoopRunner(loop), map(then_first, run), effort.look))


def found_after(
    search: SymbolicSearch, names: Sequence[str], runs: Iterable[Sequence[Chooser]]
) -> dict[str, Shown]:
    """What happens after known runs, each with a run from power-on; what is not found may happen too."""
    found: dict[str, Shown] = {}
    for run in runs:
        left = [name for name in names if name not in found]
        if not left or search.effort.over:
            break
        try:
            found |= search.confirm_after(left, run, most=MOST_AFTER)
        except OutOfTime:
            break
    return found


def in_another_loop(run: NamedRun) -> list[Chooser]:
    """Answers for a loop that asks other things besides, which get their first options."""
    return [by_name(answers) for answers in run]
