"""Which hypotheses no continuation of a log can ever tell apart, proved and not tried.

If one hypothesis is true, another is *inseparable* from it when everything the machine can show
from now on, whatever anybody does at the controls, can be shown under the other one too. That is
inclusion of two languages, decided by the usual construction: pairs of one situation under the
true hypothesis and the set of situations under the other that have shown the same so far; the
other falls where its set becomes empty (Hopcroft, Motwani, Ullman, Introduction to Automata
Theory, on subset construction; from memory). A pair whose set includes that of a pair already seen
leads to nothing new (antichains; De Wulf, Doyen, Henzinger, Raskin, 2006; from memory).

The controller is let do more than it does: outputs take every combination that some choice of
active states and of permits gives. So 'inseparable' is a proof, and its absence is none.

Only clusters that a hypothesis touches are compared; the rest is the same under both.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

from stillgate.controller.program.controller_program import ControllerProgram

from .clusters import Cluster, ClusterModel, Levels, Situation, anywhere
from .diagnosis import Tracking
from .explanations import Diagnosis
from .hypotheses import NOTHING, FieldFault, Hypothesis
from .output_combinations import output_vectors
from .state_set_tracking import Tracker

MOST_WORK = 60_000
"""Steps of situations before a comparison is given up, some seconds; then nothing is claimed."""

MOST_SURVIVORS = 8
"""Survivors that are compared with each other, the best pinned down ones."""

MOST_VECTORS = 4096
"""Combinations of outputs that are looked at."""


@dataclass(frozen=True, slots=True)
class InseparableFaults:
    """What no log will ever rule out if one thing is true."""

    true: str
    others: tuple[str, ...]


def inseparable_faults_of(
    diagnosis: Diagnosis, tracking: Tracking, program: ControllerProgram
) -> tuple[InseparableFaults, ...]:
    """Every survivor with the others that are proved inseparable from it, if there are any.

    Empty where no fault is needed: then hardly anything is pinned down at all.

    Args:
        diagnosis, tracking: as ``diagnose`` gave them.
        program: of the controller.
    """
    if diagnosis.healthy:
        return ()
    followed = [item.hypothesis for item in diagnosis.survivors if item.lost_track is None]
    compare = Inseparable(tracking, program)
    found = []
    for true in followed[:MOST_SURVIVORS]:
        others = [item for item in followed[:MOST_SURVIVORS] if item != true]
        names = tuple(item.name for item in others if compare.from_now_on(true, item))
        if names:
            found.append(InseparableFaults(true.name, names))
    return tuple(found)


class Inseparable:
    """Compares hypotheses from where a log has left them.

    Args:
        tracking: at the end of a log.
        program: of the controller.
    """

    def __init__(self, tracking: Tracking, program: ControllerProgram) -> None:
        self.tracking, self.program = tracking, program
        self.plant = anywhere(tracking.machine)
        self._models: dict[tuple[Cluster, Hypothesis], ClusterModel] = {}
        self._answers: dict[tuple[Hypothesis, Hypothesis, Cluster], bool] = {}

    def from_now_on(self, true: Hypothesis, other: Hypothesis) -> bool:
        """Whether it is proved that nothing can refute ``other`` if ``true`` is there.

        Both must have survived the log. Power that fails or does not is told by the log itself, so
        'power interrupted' is inseparable from nothing but itself.
        """
        if true == other:
            return True
        if FieldFault.POWER in (true.trouble, other.trouble):
            return False
        if other != NOTHING and self._healthy_survives() and self.from_now_on(true, NOTHING):
            return True  # the other fault may not have begun, and then does all that healthy parts do
        ours, theirs = self._own(true), self._own(other)
        if (
            ours is not None
            and theirs is not None
            and (ours == theirs or set(ours.parts) & set(theirs.parts))
        ):
            return self._included(true, other, ours.joined(theirs))
        # Apart: healthy parts must be able to do what ours do. The other fault asks for no more, since
        # it may not have begun yet.
        if not all(tracker.followed for tracker in self.tracking.trackers_of(NOTHING)):
            return False
        return ours is None or self._included(true, NOTHING, ours)

    def _healthy_survives(self) -> bool:
        trackers = self.tracking.trackers_of(NOTHING)
        return self.tracking.power_lost is None and all(item.followed for item in trackers)

    def _own(self, hypothesis: Hypothesis) -> Cluster | None:
        tracker = self.tracking.faulty.get(hypothesis)
        return None if tracker is None else tracker.model.cluster

    # -- inclusion -----------------------------------------------------------------------------

    def _included(self, true: Hypothesis, other: Hypothesis, cluster: Cluster) -> bool:
        key = true, other, cluster
        if key not in self._answers:
            self._answers[key] = self._search(true, other, cluster)
        return self._answers[key]

    def _search(self, true: Hypothesis, other: Hypothesis, cluster: Cluster) -> bool:
        ours, theirs = self._model(cluster, true), self._model(cluster, other)
        beliefs = frozenset(self._situations(other, theirs))
        mine = [item for item in self._situations(true, ours) if item[-1] or not ours.faulty]
        vectors = [*output_vectors(self.program, cluster.outputs)]
        if not beliefs or len(vectors) > MOST_VECTORS:
            return False
        dark: Levels = (None,) * len(cluster.inputs)
        off: Levels = (0,) * len(cluster.outputs)
        seen: dict[Situation, list[frozenset[Situation]]] = {}
        waiting: deque[tuple[Situation, frozenset[Situation]]] = deque()
        for situation in mine:
            if _is_new(seen, situation, beliefs):
                waiting.append((situation, beliefs))
        work = 0
        while waiting:
            situation, believed = waiting.popleft()
            if _loose_as_broken(true, other) and situation in believed:
                continue  # a loose contact may stay open, just as the broken one does
            views = ours.views(situation)
            steps = [*product(views, vectors), (dark, off)]
            work += len(steps) * (1 + len(believed))
            if work > MOST_WORK:
                return False
            for shown, asked in steps:
                targets = ours.step(situation, shown, asked)
                after = frozenset(target for item in believed for target in theirs.step(item, shown, asked))
                if targets and not after:
                    return False
                for target in targets:
                    if _is_new(seen, target, after):
                        waiting.append((target, after))
        return True

    def _model(self, cluster: Cluster, hypothesis: Hypothesis) -> ClusterModel:
        key = cluster, hypothesis
        if key not in self._models:
            for tracker in self.tracking.trackers_of(hypothesis):
                if tracker.model.cluster == cluster:
                    self._models[key] = tracker.model  # has its steps at hand
                    break
            else:
                known = self.tracking.known
                self._models[key] = ClusterModel(
                    self.tracking.machine, self.plant, cluster, hypothesis, known
                )
        return self._models[key]

    def _situations(self, hypothesis: Hypothesis, model: ClusterModel) -> Iterator[Situation]:
        """Situations of a cluster under a hypothesis, as the product of what was followed."""
        inside = [
            tracker
            for tracker in self.tracking.trackers_of(hypothesis)
            if (tracker.model.cluster.parts and set(tracker.model.cluster.parts) <= set(model.cluster.parts))
            or tracker.model.cluster == model.cluster
        ]
        if not inside:
            yield model.start()[0]  # inputs that nobody moves but people
            return
        own = self.tracking.faulty.get(hypothesis)
        for choice in product(*(tracker.windows for tracker in inside)):
            yield _joined(model, own, tuple(zip(inside, choice, strict=True)))


def _loose_as_broken(true: Hypothesis, other: Hypothesis) -> bool:
    same = true.subject == other.subject
    return same and true.trouble is FieldFault.INPUT_OFF and other.trouble is FieldFault.INPUT_LOOSE


def _meet(one: Cluster, other: Cluster) -> bool:
    return one == other or bool(set(one.parts) & set(other.parts))


def _joined(
    model: ClusterModel, own: Tracker | None, choice: Sequence[tuple[Tracker, Situation]]
) -> Situation:
    values: dict[str, int] = {}
    begun = 0
    for tracker, situation in choice:
        values |= {cell.name: value for cell, value in zip(tracker.model.kept, situation, strict=False)}
        if tracker is own:
            begun = situation[-1]
    return (*(values[cell.name] for cell in model.kept), begun)


def _is_new(
    seen: dict[Situation, list[frozenset[Situation]]], situation: Situation, beliefs: frozenset[Situation]
) -> bool:
    """Notes a pair, unless one with fewer beliefs was seen, which is refuted whenever this one is."""
    known = seen.setdefault(situation, [])
    if any(item <= beliefs for item in known):
        return False
    known[:] = [item for item in known if not beliefs <= item]
    known.append(beliefs)
    return True
