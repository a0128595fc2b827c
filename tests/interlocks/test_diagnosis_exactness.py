"""The sets that a diagnosis follows cluster by cluster are exactly the sets of whole situations.

The promise: factoring parts into clusters, sharing the healthy ones between hypotheses, keeping
only the bounds of a fault's beginning and skipping scans that repeat lose nothing and add
nothing. Judged by ``plain_tracker``, which does none of these.
"""

from __future__ import annotations

from itertools import groupby, product

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from plain_tracker import NEVER, PlainTracker
from seen_runs import Seen, machines, recorded
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.diagnosis.diagnosis import Tracking
from stillgate.interlocks.diagnosis.hypotheses import FieldFault, Hypothesis

pytestmark = pytest.mark.usefixtures("unoptimised_commands")

Bounds = tuple[int, int] | None

MOST = 4000
"""Whole situations that the plain tracker is let to follow."""


def follow_plainly(
    machine: Machine, hypothesis: Hypothesis, log: list[Seen]
) -> tuple[PlainTracker, int | None]:
    """The plain tracker at the end of a log, and the scan in which it was refuted."""
    tracker = PlainTracker(machine, hypothesis)
    for scan, (inputs, outputs, power) in enumerate(log):
        tracker.step(scan, inputs if power else {}, outputs)
        if not tracker.situations:
            return tracker, scan
        if len(tracker.situations) > MOST:
            raise OverflowError
    return tracker, None


def follow_factored(machine: Machine, log: list[Seen]) -> Tracking:
    """The tracking at the end of a log, equal scans given together."""
    tracking = Tracking(machine, power_off_is_normal=True)
    first = 0
    for (inputs, outputs, power), group in groupby(log):
        end = first + len(list(group))
        tracking.run(first, end, inputs, outputs, power=power)
        first = end
    return tracking


def wholes(
    tracking: Tracking, hypothesis: Hypothesis, order: tuple[str, ...]
) -> dict[tuple[int, ...], Bounds]:
    """Whole situations as the product of the clusters' ones; with the bounds of the begin if begun."""
    trackers = tracking.trackers_of(hypothesis)
    own = tracking.faulty.get(hypothesis)
    found: dict[tuple[int, ...], Bounds] = {}
    for choice in product(*(item.windows.items() for item in trackers)):
        values: dict[str, int] = {}
        begun: tuple[int, int] | None = None
        for tracker, (situation, window) in zip(trackers, choice, strict=True):
            values |= {cell.name: value for cell, value in zip(tracker.model.cells, situation, strict=False)}
            if tracker is own and situation[-1]:
                begun = window
        found[(*(values[name] for name in order), int(begun is not None))] = begun
    return found


def plain_wholes(tracker: PlainTracker) -> dict[tuple[int, ...], Bounds]:
    """The same from the plain tracker."""
    found: dict[tuple[int, ...], Bounds] = {}
    for place, begin in tracker.situations:
        key = (*place, int(begin != NEVER))
        if begin == NEVER:
            found[key] = None
        else:
            low, high = found.get(key) or (begin, begin)
            found[key] = min(low, begin), max(high, begin)
    return found


SLOW = """\
machine: slow
scan: 10 ms
inputs: {home: {}, away: {}, still: {}}
outputs: {forward: {}, back: {}, motor: {}}
parts:
  slide: {kind: travel, stops: [home, away], forward: forward, back: back, takes: 120..160 ms,
          senses: {home: at home, away: at away}}
  shaft: {kind: spin, drive: motor, runs_down: 30..90 ms, senses: {still: still}}
sequences: {on: {start: off, states: {off: {}}}}
requirements: {one_way: {never: forward and back}}
"""
"""Parts in which what begins in a scan shows many scans later."""


@settings(max_examples=10, deadline=None)
@given(st.data())
def test_scans_that_are_skipped_give_the_same_bounds_as_scans_that_are_stepped(data: st.DataObject) -> None:
    """Long stretches with the same observations, given whole and scan by scan."""
    machine = read_machine_text(SLOW).machine
    whole, stepped = Tracking(machine), Tracking(machine)
    scan = 0
    level = st.sampled_from((0, 1, None))
    for _ in range(data.draw(st.integers(1, 5))):
        outputs = {name: data.draw(st.integers(0, 1)) for name in machine.outputs}
        inputs = {
            name: data.draw(level) if data.draw(st.integers(0, 3)) == 0 else None for name in machine.inputs
        }
        end = scan + data.draw(st.integers(1, 60))
        whole.run(scan, end, inputs, outputs, power=True)
        for each in range(scan, end):
            stepped.run(each, each + 1, inputs, outputs, power=True)
        scan = end
    for hypothesis in whole.hypotheses:
        for one, other in zip(whole.trackers_of(hypothesis), stepped.trackers_of(hypothesis), strict=True):
            assert one.contradiction == other.contradiction, hypothesis.name
            assert one.windows == other.windows, hypothesis.name


@settings(max_examples=12, deadline=None)
@given(st.data())
def test_clusters_give_exactly_the_situations_that_whole_machines_give(data: st.DataObject) -> None:
    """Every hypothesis falls in the same scan, and what survives can be in the same situations."""
    compare(data)


@pytest.mark.night
@settings(max_examples=500, deadline=None)
@given(st.data())
def test_clusters_give_exactly_the_situations_that_whole_machines_give_at_length(data: st.DataObject) -> None:
    """The same, for a night."""
    compare(data)


def compare(data: st.DataObject) -> None:
    """One machine, one log, every hypothesis both ways."""
    machine = data.draw(machines())
    true, log = data.draw(recorded(machine))
    tracking = follow_factored(machine, log)
    refuted = 0
    for hypothesis in tracking.hypotheses:
        if hypothesis.trouble is FieldFault.POWER:
            continue  # moves no part
        try:
            plain, died = follow_plainly(machine, hypothesis, log)
        except OverflowError:
            event("too many situations for the plain tracker")
            continue
        fall = tracking.refutation(hypothesis, len(log))
        assert (fall.scan if fall else None) == died, hypothesis.name
        refuted += died is not None
        if died is None:
            order = tuple(cell.name for cell in plain.cells)
            factored, expected = wholes(tracking, hypothesis, order), plain_wholes(plain)
            if hypothesis.trouble is not FieldFault.NONE and hypothesis not in tracking.faulty:
                # A fault of something that moves nothing: whether it has begun changes nothing.
                assert {key[:-1] for key in factored} == {key[:-1] for key in expected}, hypothesis.name
            else:
                assert factored == expected, hypothesis.name
    event(f"some refuted: {refuted > 0}")
    event(f"true one: {true.trouble.value}")
