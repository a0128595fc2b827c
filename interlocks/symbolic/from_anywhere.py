"""Decides over sets of times whether a goal stays possible from every reachable situation.

A search over sets holds every situation that is reached, and perhaps more. Backwards from the goal sets of
situations are grown from which a run leads to it; these hold nothing else, and perhaps less. If they hold
all that the search holds, the requirement holds. If something is left over, a run into it is looked for, and
from where it ends all that can follow, in sets again: if none of them shows the goal, the requirement is
broken, and the run shows it. Neither shown: not decided.

The loop is one of its own, without the other requirements: they change nothing that the machine can do, and
what their monitors remember would multiply the sets.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from enum import Enum

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import FromAnywhere, Machine

from ..loop.closed_loop import close_loop
from ..loop.counterexample import Path, Replay, replay
from ..loop.fewest_changes import FewestChanges
from .engine_abi import Confirmation
from .lowering_for_sets import loop_for_sets
from .manners import Manner, Turning
from .search import SymbolicSearch

MANNERS = (
    Manner(turning=Turning.KEPT),
    Manner(join=4, turning=Turning.KEPT),
    Manner(join=0, merge=True, turning=Turning.KEPT),
)
"""Where one set a key leaves something over that nobody reaches, more of them may not."""

MOST_BYTES_AFTER = 1 << 29
"""Memory of the search for all that can follow one situation."""


class Ways(Enum):
    """What is known of the ways to a goal."""

    EVERYWHERE = "from every situation a run leads to it"
    CUT_OFF = "from some situation none does"
    UNKNOWN = "not decided"


@dataclass(frozen=True)
class WaysToGoal:
    """What sets say of the ways to a goal.

    Attributes:
        path: where some situation is cut off, a run that ends in it; without a tick if it begins there.
        run: the same as a story tells it; None if nobody asked for it or time was over before.
        sets: how many sets hold all that can follow that situation.
        cut_short: whether time or memory was over before all sets were asked.
    """

    ways: Ways
    path: Path | None = None
    run: Replay | None = None
    sets: int = 0
    cut_short: bool = False

    @property
    def depth(self) -> int:
        """Ticks of the run."""
        return len(self.path.choices) if self.path else 0


def ways_to_goals(
    machine: Machine, names: list[str], *, tick: Milliseconds, effort: Effort
) -> dict[str, WaysToGoal]:
    """What sets say of ``from_anywhere`` requirements by name, without faults.

    Raises:
        OutOfTime: if the effort is over before the search begins.
        ToolMissing: if there is no C compiler.
    """
    own = {
        name: item
        for name, item in machine.requirements.items()
        if name in names and isinstance(item, FromAnywhere)
    }
    found = dict.fromkeys(own, WaysToGoal(Ways.UNKNOWN))
    if not own:
        return {}
    judged = machine.model_copy(update={"requirements": own})
    loop = loop_for_sets(close_loop(judged, tick=tick, faults=0, exact=True))
    left = list(own)
    for manner in MANNERS:
        if not left or effort.over:
            break
        with SymbolicSearch(loop, manner=manner, effort=effort) as search:
            if not search.run().exhausted:
                break
            for number, name in enumerate(left):
                search.effort = effort.part(len(left) - number)
                if effort.over:
                    break
                found[name] = _with_story(search, ways_to(search, name))
        left = [name for name in left if found[name].ways is Ways.UNKNOWN and not found[name].cut_short]
    return found


def ways_to(search: SymbolicSearch, name: str) -> WaysToGoal:
    """What an exhausted search, in which turns of travels are kept, says of the ways to a goal."""
    everywhere = search.leads_to(name).everywhere
    if everywhere is None:
        return WaysToGoal(Ways.UNKNOWN, cut_short=True)
    if everywhere:
        return WaysToGoal(Ways.EVERYWHERE)
    confirmed, path = search.confirm_rest()
    if confirmed is Confirmation.IMPOSSIBLE:
        return WaysToGoal(Ways.EVERYWHERE)
    if path is None:
        return WaysToGoal(Ways.UNKNOWN)
    for exact in (False, True):
        sets = search.sets_without(name, path.keys[-1], exact=exact, most=MOST_BYTES_AFTER)
        if sets is not None:
            return WaysToGoal(Ways.CUT_OFF, path, sets=sets)
    return WaysToGoal(Ways.UNKNOWN)


def _with_story(search: SymbolicSearch, found: WaysToGoal) -> WaysToGoal:
    if found.path is not None and found.path.choices:
        with suppress(OutOfTime):
            look = search.effort.closing().look
            run = replay(search.loop, found.path, look=look)
            return replace(found, run=FewestChanges(search.loop).of(run, None, look=look))
    return found
