"""What a search over sets came to, and what came of looking for something that it reported."""

from __future__ import annotations

from dataclasses import dataclass

from ..exploration.deployed_run import Picks
from ..loop.counterexample import Path
from ..results.verdict import SetsCovered
from .engine_abi import Confirmation


@dataclass(frozen=True, slots=True)
class Shown:
    """What came of looking for something that a search over sets reported.

    Attributes:
        ticks: of the run that shows it: not always the shortest.
        picks: of that run: of its start, then of each tick.
        path: that run, where it was stepped in Python.
    """

    found: Confirmation
    ticks: int | None = None
    picks: Picks = ()
    path: Path | None = None


@dataclass(frozen=True, slots=True)
class SetExploration:
    """What a search came to.

    Attributes:
        keys: different keys: everything but the values of running clocks and of counters.
        sets: stored sets.
        steps: steps of sets, every choice of one counted.
        bytes: memory in use.
        exhausted: nothing leads out of what is stored.
        stopped_by: what ended it early, or empty.
    """

    keys: int
    sets: int
    steps: int
    bytes: int
    exhausted: bool
    stopped_by: str
    seconds: float

    def covered(self, unsure: tuple[str, ...] = (), points: int = 0) -> SetsCovered:
        """The same as results say it.

        Args:
            unsure: counters of which it was not found out whether they leave their bounds.
            points: of the stored sets that were stepped in the C.
        """
        return SetsCovered(
            keys=self.keys, sets=self.sets, steps=self.steps, exhausted=self.exhausted and not unsure,
            stopped_by=self.stopped_by, seconds=self.seconds, unsure=unsure, points=points,
        )  # fmt: skip
