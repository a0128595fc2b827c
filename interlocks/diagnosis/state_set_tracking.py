"""The exact set of situations of a cluster that agree with a log, from scan to scan.

Nothing is sampled and nothing is dropped: a hypothesis dies in the first scan in which no
situation is left that can show what was recorded. Beside each situation stands when the fault
may have begun, at the earliest and at the latest, over all runs that lead there.

Where neither the log nor the set changes any more, scans are skipped: the same step on the same
set gives the same set again. The bounds of the beginning then stand still or grow by one a scan,
each taken from the same situation before it as long as no bound that grows has caught up with one
that stands; up to there they are carried on unseen.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from stillgate.controller.machine_file.machine import Contact

from .clusters import ClusterModel, Levels, Situation

MOST_SITUATIONS = 100_000
"""Situations of a cluster at one time; beyond that a hypothesis is neither refuted nor kept."""

_STEADY = 2
"""Equal steps in a row before the bounds of the beginning are carried on unseen."""

_ENDLESS = 2**62
"""Scans that no log has."""

Window = tuple[int, int]
"""Scans at which a fault may have begun: earliest, latest. -1 before the log, also where it has not."""


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Why a cluster's last situation died.

    Attributes:
        scan: in which no situation can show what was recorded.
        inputs: the inputs that no situation could show so by themselves; if none could be
            named, all of the cluster that were observed: they exclude each other.
        levels: what they showed.
        contacts: how their switches are built.
        together: whether only their combination is impossible.
        before: where the parts that move these inputs could have been, in words.
    """

    scan: int
    inputs: tuple[str, ...]
    levels: tuple[int, ...]
    contacts: tuple[Contact, ...]
    together: bool
    before: tuple[tuple[tuple[str, str], ...], ...]


@dataclass(eq=False)
class Tracker:
    """A cluster under a hypothesis, followed through a log."""

    model: ClusterModel
    windows: dict[Situation, Window] = field(init=False)
    contradiction: Contradiction | None = None
    overflowed: int | None = None  # the scan in which the set became too large

    def __post_init__(self) -> None:
        self.windows = dict.fromkeys(self.model.start(), (-1, -1))

    @property
    def alive(self) -> bool:
        """Whether some situation agrees with everything so far."""
        return self.contradiction is None

    @property
    def followed(self) -> bool:
        """Whether the set is still known."""
        return self.contradiction is None and self.overflowed is None

    def begun(self) -> Window | None:
        """When the fault may have begun, over the situations in which it has; None if in none."""
        found = [window for situation, window in self.windows.items() if situation[-1]]
        return (min(low for low, _ in found), max(high for _, high in found)) if found else None

    def run(self, first: int, end: int, inputs: Levels, outputs: Levels) -> None:
        """Follows the scans ``first`` to before ``end``, all with the same observations.

        Where it is not known what was asked of an output (None), the parts may be anywhere afterwards, as
        at the beginning of a log; what they show in each scan is still held against what was recorded.
        """
        if None in outputs:
            any_asked = (0,) * len(outputs)  # what is asked for shows in the next scan at the earliest
            for scan in sorted({first, min(first + 1, end - 1), end - 1}):
                self._step(scan, inputs, any_asked)
                if not self.followed:
                    return
                self.forget_places()
            return
        steady, growth, scan = 0, None, first
        while scan < end and self.followed:
            before = self.windows
            self._step(scan, inputs, outputs)
            scan += 1
            if self.windows.keys() != before.keys():
                steady, growth = 0, None
                continue
            now = {key: _growth(before[key], window) for key, window in self.windows.items()}
            steady, growth = (steady + 1 if now == growth else 0), now
            if steady >= _STEADY:
                skipped = min(end - scan, _unseen(self.windows, now))
                self.windows = {
                    key: (low + skipped * now[key][0], high + skipped * now[key][1])
                    for key, (low, high) in self.windows.items()
                }
                scan += skipped

    def forget_places(self) -> None:
        """Lets the parts be anywhere; whether and when the fault may have begun is kept."""
        begun, open_still = self.begun(), any(not situation[-1] for situation in self.windows)
        self.windows = {
            situation: begun if situation[-1] and begun is not None else (-1, -1)
            for situation in self.model.start()
            if (begun is not None if situation[-1] else open_still)
        }

    def _step(self, scan: int, inputs: Levels, outputs: Levels) -> None:
        after: dict[Situation, Window] = {}
        for situation, window in self.windows.items():
            for target in self.model.step(situation, inputs, outputs):
                came = (scan, scan) if target[-1] and not situation[-1] else window
                known = after.get(target)
                after[target] = came if known is None else (min(known[0], came[0]), max(known[1], came[1]))
        if not after:
            names = self.model.cluster.inputs
            seen = {name: level for name, level in zip(names, inputs, strict=True) if level is not None}
            self.contradiction = contradiction_of(self.model, scan, seen, self.windows)
        elif len(after) > MOST_SITUATIONS:
            self.overflowed = scan
        else:
            self.windows = after


def contradiction_of(
    model: ClusterModel, scan: int, seen: Mapping[str, int], situations: Iterable[Situation]
) -> Contradiction:
    """Why nothing is left of a cluster.

    Args:
        model: the cluster under the hypothesis that falls.
        scan: in which it does.
        seen: levels that inputs were seen with.
        situations: what was left before; none can show all of these levels.
    """
    places: dict[tuple[tuple[str, str], ...], None] = {}
    possible: dict[str, set[int]] = {name: set() for name in seen}
    before = list(situations)
    for situation in before:
        for name, levels in model.shows(situation).items():
            if name in possible:
                possible[name] |= levels
    alone = [name for name, level in seen.items() if level not in possible[name]]
    named = tuple(alone or seen)
    concerned = {model.sensed_by.get(name) for name in named}
    for situation in before:
        told = model.describe(situation).items()
        places[tuple((part, place) for part, place in told if part in concerned)] = None
    return Contradiction(
        scan,
        named,
        tuple(seen[name] for name in named),
        tuple(model.contacts[name] for name in named),
        not alone,
        tuple(sorted(places)),
    )


def _unseen(windows: dict[Situation, Window], growth: dict[Situation, Window]) -> int:
    """Scans for which bounds that grow stay on their side of those that stand."""
    found = _ENDLESS
    for bound in (0, 1):
        if any(rates[bound] not in (0, 1) for rates in growth.values()):
            return 0
        standing = sorted({window[bound] for key, window in windows.items() if not growth[key][bound]})
        for value in {window[bound] for key, window in windows.items() if growth[key][bound]}:
            place = bisect_left(standing, value)
            if place < len(standing):
                found = min(found, max(0, standing[place] - value - 1))
    return found


def _growth(before: Window, after: Window) -> Window:
    return after[0] - before[0], after[1] - before[1]
