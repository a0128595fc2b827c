"""What to do next to tell the surviving hypotheses of a diagnosis apart.

Two kinds of test: a *measurement* now (where a part stands, whether a switch's own contact
conducts, what a valve really does), judged exactly from the situations that are left; and an
*action* at the controls, judged by trying it: from the end of the log the controller and the
parts go on in a simulation under each survivor in turn, the others are followed along, and it
is counted how many are refuted. The second is a sample and an expectation, not a promise.
"""

from __future__ import annotations

import copy
import random
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from stillgate.controller.execution.executive import Executive
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.contact_words import level_of_contact
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine

from ..replay.log_replay import LogRun
from .clusters import Situation
from .diagnosis import Tracking
from .explanations import Diagnosis
from .hypotheses import Hypothesis
from .state_set_tracking import Tracker

MOST_HYPOTHESES = 6
"""Survivors that are tried; beyond that the log says too little for a choice of test to matter."""

PRESS: Milliseconds = 1000
"""How long an action is held."""

WATCH: Milliseconds = 3000
"""How long is watched in all."""


@dataclass(frozen=True, slots=True)
class NextTest:
    """A test and what it is expected to bring.

    Attributes:
        words: what to do.
        outcomes: what is seen, and under which hypotheses; empty for an action.
        splits: share of the other survivors that is expected to be refuted, 0 to 1, over all
            survivors taken as equally likely.
        sampled: whether the share was found by trying and not by counting.
    """

    words: str
    outcomes: tuple[tuple[str, tuple[str, ...]], ...]
    splits: float
    sampled: bool


def next_tests(
    diagnosis: Diagnosis, tracking: Tracking, run: LogRun, *, seed: int = 0
) -> tuple[NextTest, ...]:
    """The best measurement and the best action, the better first; empty if neither splits anything.

    Args:
        diagnosis, tracking, run: as ``diagnose`` gave them.
        seed: of the trials.
    """
    survivors = [item.hypothesis for item in diagnosis.survivors if item.lost_track is None]
    if len(survivors) < 2 or diagnosis.healthy:
        return ()
    chosen = survivors[:MOST_HYPOTHESES]
    found = [_best(_measurements(chosen, tracking)), _best(_actions(chosen, tracking, run, seed))]
    return tuple(sorted((item for item in found if item is not None), key=lambda item: -item.splits))


def _best(tests: Iterable[NextTest]) -> NextTest | None:
    best = max(tests, key=lambda item: item.splits, default=None)
    return best if best is not None and best.splits > 0 else None


# -- measurements --------------------------------------------------------------------------------


def _measurements(survivors: Sequence[Hypothesis], tracking: Tracking) -> list[NextTest]:
    """Everything that can be looked at or measured now."""
    readings: dict[str, dict[Hypothesis, set[str]]] = {}
    for hypothesis in survivors:
        for tracker in tracking.trackers_of(hypothesis):
            for situation in _begun(tracker, hypothesis, tracking):
                for what, value in _readings(tracker, situation):
                    readings.setdefault(what, {}).setdefault(hypothesis, set()).add(value)
    tests = []
    for what, by_hypothesis in readings.items():
        if len(by_hypothesis) < len(survivors):
            continue  # not known under every hypothesis
        values = sorted(set().union(*by_hypothesis.values()))
        outcomes = tuple(
            (value, tuple(h.name for h in survivors if value in by_hypothesis[h])) for value in values
        )
        tests.append(NextTest(what, outcomes, _share(survivors, by_hypothesis), sampled=False))
    return tests


def _readings(tracker: Tracker, situation: Situation) -> Iterable[tuple[str, str]]:
    model = tracker.model
    for part, place in model.describe(situation).items():
        yield f"look where {part} is", place
    for name, levels in model.circuits(situation).items():
        for level in levels:
            yield f"measure the contact of {name} at the switch itself", "closed" if level else "open"
    for asked, when in ((1, "while it is asked for"), (0, "while it is not asked for")):
        for name, level in model.drives(dict.fromkeys(model.cluster.outputs, asked), situation).items():
            yield f"measure {name} at the load it switches {when}", "on" if level else "off"


def _share(survivors: Sequence[Hypothesis], readings: dict[Hypothesis, set[str]]) -> float:
    total = 0.0
    for true in survivors:
        for value in readings[true]:
            ruled_out = sum(value not in readings[other] for other in survivors if other != true)
            total += ruled_out / len(readings[true])
    return total / (len(survivors) * (len(survivors) - 1))


def _begun(tracker: Tracker, hypothesis: Hypothesis, tracking: Tracking) -> list[Situation]:
    """Situations in which the fault has begun; of a healthy cluster, all."""
    if tracking.faulty.get(hypothesis) is tracker:
        return [situation for situation in tracker.windows if situation[-1]]
    return list(tracker.windows)


# -- actions -------------------------------------------------------------------------------------


def _actions(survivors: Sequence[Hypothesis], tracking: Tracking, run: LogRun, seed: int) -> list[NextTest]:
    trial = _Trial(tracking, run, seed)
    tests = []
    for names in [(), *_devices(run.machine)]:  # of equals the first: to do nothing is the least
        watch = f"watch for {format_duration(WATCH)}"
        words = f"leave the controls alone, the controller on, and {watch}"
        if names:
            inputs = run.machine.inputs
            turned = " and ".join(
                f"{name} {level_of_contact(inputs[name].contact, not run.levels[name])}" for name in names
            )
            words = f"at the controls, {turned} for {format_duration(PRESS)}; {watch}"
        total = sum(trial.ruled_out(names, true, survivors) for true in survivors)
        share = total / (len(survivors) * (len(survivors) - 1))
        tests.append(NextTest(words, (), share, sampled=True))
    return tests


def _devices(machine: Machine) -> list[tuple[str, ...]]:
    """The operator's inputs; contacts told apart by a number only belong to one device."""
    found: dict[str, list[str]] = {}
    for name, item in machine.inputs.items():
        if item.source == "operator":
            found.setdefault(re.sub(r"_?\d+$", "", name), []).append(name)
    return [tuple(names) for names in found.values()]


class _Trial:
    """Runs actions from the end of a log on."""

    def __init__(self, tracking: Tracking, run: LogRun, seed: int) -> None:
        self.tracking, self.run, self.seed = tracking, run, seed
        self.cells = run.controller.cells()

    def ruled_out(self, names: tuple[str, ...], true: Hypothesis, survivors: Sequence[Hypothesis]) -> int:
        """How many others are refuted if ``true`` is the one and the action is done."""
        chances = random.Random(f"{self.seed} {true.name} {names}")
        fork = self._fork(survivors)
        places = {
            tracker: chances.choice(_begun(tracker, true, self.tracking))
            for tracker in self.tracking.trackers_of(true)
        }
        executive = self._controller()
        levels = dict(self.run.levels)
        period = self.run.machine.scan
        free = {name for tracker in places for name in tracker.model.cluster.inputs}
        for scan in range(WATCH // period):
            for name in names:
                if name not in free:
                    pressed = scan < PRESS // period
                    levels[name] = self.run.levels[name] ^ pressed
            for tracker, place in places.items():
                view = chances.choice(tracker.model.views(place))
                levels |= {
                    name: int(level or 0)
                    for name, level in zip(tracker.model.cluster.inputs, view, strict=True)
                }
            executive.inputs.update((name, bool(level)) for name, level in levels.items())
            executive.scan()
            asked = {name: int(on) for name, on in executive.outputs.items()}
            for tracker, place in places.items():
                cluster = tracker.model.cluster
                shown = tuple(levels[name] for name in cluster.inputs)
                drive = tuple(asked[name] for name in cluster.outputs)
                ways = [way for way in tracker.model.step(place, shown, drive) if way[-1] == place[-1]]
                places[tracker] = chances.choice(ways)
            for tracker in fork:
                cluster = tracker.model.cluster
                tracker.run(
                    scan, scan + 1,
                    tuple(levels[name] for name in cluster.inputs),
                    tuple(asked[name] for name in cluster.outputs),
                )  # fmt: skip
        return sum(
            other != true and not all(fork[item].alive for item in self.tracking.trackers_of(other))
            for other in survivors
        )

    def _fork(self, survivors: Sequence[Hypothesis]) -> _Fork:
        return _Fork({tracker for item in survivors for tracker in self.tracking.trackers_of(item)})

    def _controller(self) -> Executive:
        executive = Executive(self.run.machine)
        executive.restore(executive.snapshot().with_cells(self.cells))
        return executive


class _Fork:
    """Copies of trackers that go on by themselves."""

    def __init__(self, trackers: Iterable[Tracker]) -> None:
        self._copies = {id(tracker): copy.copy(tracker) for tracker in trackers}

    def __getitem__(self, tracker: Tracker) -> Tracker:
        return self._copies[id(tracker)]

    def __iter__(self) -> Iterator[Tracker]:
        return iter(self._copies.values())
