"""The situations of a cluster that agree with a log which leaves open what was between its rows.

The same question as in ``state_set_tracking``, for a log of samples or of inexact times: where an output is
not known, the controller may have asked for either level, and where an input is not known it may
have shown either. A hypothesis dies only when no run at all agrees. What is followed is never less than
what is possible, and more where the exact set would cost too much:

- Outputs are free in every scan by themselves, within the combinations that the controller can ask
  for in any state at all.
- If a contact may show both levels in a scan, it may have been seen with both.
- Of two observations of the same level of an input that overlap, the later is left out.
- When a fault began is kept for the whole set, not for each situation.
- Where a scan would cost more than ``MOST_MOVES``, the parts may be anywhere after it, as at the
  beginning of a log.
- A fault that touches several clusters is followed in each by itself, as if it could begin there
  at another time than elsewhere.

Sets recur, for a machine stands still or repeats itself. So what a set becomes in one scan is
remembered, and a log costs as much as the different things that happen in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..replay.inexact_scans import ObservedLevel
from .clusters import ClusterModel, Levels, Situation
from .state_set_tracking import Contradiction, Window, contradiction_of

MOST_MOVES = 2000
"""Situations times combinations of outputs in one scan; beyond that the parts may be anywhere after it."""

MOST_REMEMBERED = 2_000_000
"""Situations in all sets that are remembered, about 200 bytes each."""

Awaited = tuple[Situation, int]
"""A situation, and the observed levels that are still to come as bits: 2 * place of the input + level."""

Awaiting = frozenset[Awaited]


_Known = tuple[Awaiting, Levels, int, int]
"""A set, levels seen, number of the outputs that may be asked for, levels due: what a step depends on."""


@dataclass(eq=False)
class InexactTracker:
    """A cluster under a hypothesis, followed through a log that leaves much open.

    Args:
        model: the cluster under the hypothesis.
        vectors: combinations of its outputs that the controller can ask for.
    """

    model: ClusterModel
    vectors: Sequence[tuple[int, ...]]
    contradiction: Contradiction | None = None

    def __post_init__(self) -> None:
        self._places = {name: place for place, name in enumerate(self.model.cluster.inputs)}
        self._open: dict[int, int] = {}  # bit of an observed level to the last scan that it may be in
        self._asked: dict[Levels, int] = {}
        self._combinations: list[tuple[tuple[int, ...], ...]] = []
        self._sets: dict[Awaiting, Awaiting] = {}
        self._flags: dict[Awaiting, tuple[bool, bool]] = {}
        self._steps: dict[_Known, Awaiting] = {}
        self._opened: dict[tuple[Awaiting, int], Awaiting] = {}
        self._shown: dict[tuple[Situation, Levels], list[tuple[int, int]]] = {}
        self._ways: dict[tuple[Situation, Levels, int], list[tuple[int, tuple[Situation, ...]]]] = {}
        self._remembered = 0
        self._window: Window = (-1, -1)
        self._become(frozenset((situation, 0) for situation in self.model.start()))

    @property
    def alive(self) -> bool:
        """Whether some run may agree with everything so far."""
        return self.contradiction is None

    def begun(self) -> Window | None:
        """When the fault may have begun; None if in no situation it has."""
        return self._window if self._has_begun else None

    def _become(self, now: Awaiting) -> None:
        """Takes a set as the present one; equal sets are one object."""
        now = self._now = self._sets.setdefault(now, now)
        found = self._flags.get(now)
        if found is None:
            begun = {situation[-1] for situation, _ in now}
            found = self._flags[now] = (1 in begun, self.model.faulty and 0 in begun)
        self._has_begun, self._may_begin = found

    def forget_places(self) -> None:
        """Lets the parts be anywhere; a fault that has not begun may begin meanwhile."""
        awaited = {(situation[-1], left) for situation, left in self._now}
        if self._may_begin:
            awaited |= {(1, left) for _, left in self._now}
        self._become(self._anywhere(awaited))

    def _anywhere(self, awaited: set[tuple[int, int]]) -> Awaiting:
        """Every place that the parts may start from, with whether the fault has begun and what is left."""
        return frozenset(
            (situation, left)
            for situation in self.model.start()
            for begun, left in awaited
            if begun == situation[-1]
        )

    def run(
        self, first: int, end: int, inputs: Levels, outputs: Levels, observed: Sequence[ObservedLevel]
    ) -> None:
        """Follows the scans ``first`` to before ``end``, of which the same is known.

        Args:
            first, end: scans.
            inputs: levels that each of these scans has seen; None where that is not known.
            outputs: what each has asked for; None where that is not known.
            observed: levels of inputs, in scans that begin with the first scan.
        """
        if not self.alive:
            return
        self._begin_observed(observed)
        asked = self._asked_for(outputs)
        scan = first
        while scan < end and self.alive:
            due = [bit for bit, last in self._open.items() if last == scan]
            before = self._now
            self._step(scan, inputs, asked, sum(due))
            for bit in due:
                del self._open[bit]
            scan += 1
            if self._now is before and not due:  # it stays so until an observed level is due
                scan = max(scan, min([end, *self._open.values()]))
                if self._may_begin:
                    self._window = self._window[0], scan - 1

    def _begin_observed(self, observed: Sequence[ObservedLevel]) -> None:
        new = 0
        for item in observed:
            place = self._places.get(item.name)
            if place is None:
                continue
            bit = 1 << (2 * place + item.level)
            if bit not in self._open:
                self._open[bit] = item.last
                new |= bit
        if new:
            key = self._now, new
            opened = self._opened.get(key)
            if opened is None:
                opened = frozenset((situation, left | new) for situation, left in self._now)
                opened = self._opened[key] = self._sets.setdefault(opened, opened)
            self._now = opened

    def _asked_for(self, outputs: Levels) -> int:
        """Number of the combinations of outputs that may have been asked for."""
        if outputs not in self._asked:
            fits = [
                item
                for item in self.vectors
                if all(said is None or said == level for said, level in zip(outputs, item, strict=True))
            ]
            # What no state of the file asks for was asked for all the same, by another controller.
            self._combinations.append(tuple(fits) or tuple(_every_way(outputs)))
            self._asked[outputs] = len(self._combinations) - 1
        return self._asked[outputs]

    def _step(self, scan: int, inputs: Levels, asked: int, due: int) -> None:
        key = self._now, inputs, asked, due
        after = self._steps.get(key)
        if after is None:
            after = self._stepped(inputs, asked, due)
            after = self._sets.setdefault(after, after)
            self._remembered += len(after)
            if self._remembered > MOST_REMEMBERED:
                self._steps.clear()
                self._opened.clear()
                self._flags.clear()
                self._sets = {after: after}
                self._remembered = len(after)
            self._steps[key] = after
        if not after:
            self.contradiction = self._contradiction(scan, inputs, due)
            return
        if self._may_begin:
            self._window = self._window[0] if self._has_begun else scan, scan
        if after is not self._now:
            self._become(after)

    def _stepped(self, inputs: Levels, asked: int, due: int) -> Awaiting:
        if len(self._now) * len(self._combinations[asked]) > MOST_MOVES:
            return self._anywhere(self._awaited(inputs, due))
        found: set[Awaited] = set()
        for situation, left in self._now:
            key = situation, inputs, asked
            ways = self._ways.get(key)
            if ways is None:
                told = self.model.loose_step(situation, inputs, self._combinations[asked])
                ways = self._ways[key] = [(_bits(allowed), targets) for allowed, targets in told]
            for shown, targets in ways:
                still = left & ~shown
                if not still & due:
                    found.update([(target, still) for target in targets])
        return frozenset(found)

    def _awaited(self, inputs: Levels, due: int) -> set[tuple[int, int]]:
        """Whether the fault has begun and what is left to be seen after a scan, wherever the parts go."""
        found: set[tuple[int, int]] = set()
        for situation, left in self._now:
            key = situation, inputs
            shown = self._shown.get(key)
            if shown is None:
                told = self.model.loose_shows(situation, inputs)
                shown = self._shown[key] = [(begun, _bits(allowed)) for begun, allowed in told]
            found.update((begun, left & ~bits) for begun, bits in shown if not left & ~bits & due)
        return found

    def _contradiction(self, scan: int, inputs: Levels, due: int) -> Contradiction:
        names = self.model.cluster.inputs
        seen = {name: level for name, level in zip(names, inputs, strict=True) if level is not None}
        missing = due
        for _, left in self._now:
            missing &= left  # what no situation has shown so far
        for bit in range(2 * len(names)):
            if (missing or due) >> bit & 1:
                seen.setdefault(names[bit // 2], bit % 2)
        return contradiction_of(self.model, scan, seen, [situation for situation, _ in self._now])


def _bits(allowed: tuple[Levels, ...]) -> int:
    """Levels that inputs can show, as bits of observed levels."""
    found = 0
    for place, levels in enumerate(allowed):
        for level in levels:
            found |= 1 << (2 * place + (level or 0))
    return found


def _every_way(outputs: Levels) -> list[tuple[int, ...]]:
    found: list[tuple[int, ...]] = [()]
    for said in outputs:
        found = [(*item, level) for item in found for level in ((0, 1) if said is None else (said,))]
    return found
