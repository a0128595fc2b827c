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
from machines_strategy import Draw
from plain_tracker import NEVER, PlainTracker
from plants_strategy import closed_machines
from stillgate.controller.machine import Machine
from stillgate.controller.reader import read_machine_text
from stillgate.interlocks.diagnosis import Tracking
from stillgate.interlocks.hypotheses import Hypothesis, Trouble, hypotheses_of
from stillgate.sim_io.disturbances import Disturbance, DisturbanceKind
from stillgate.sim_io.operators import OperatorKind
from stillgate.sim_io.simulation import Simulation

Bounds = tuple[int, int] | None

Seen = tuple[dict[str, int | None], dict[str, int], bool]
"""What a log says of one scan: inputs, outputs asked for, power."""

_KINDS = {
    Trouble.INPUT_ON: DisturbanceKind.STUCK_ON,
    Trouble.INPUT_OFF: DisturbanceKind.STUCK_OFF,
    Trouble.OUTPUT_ON: DisturbanceKind.STUCK_ON,
    Trouble.OUTPUT_OFF: DisturbanceKind.STUCK_OFF,
    Trouble.INPUT_LOOSE: DisturbanceKind.INTERMITTENT,
}
MOST = 4000
"""Whole situations that the plain tracker is let to follow."""

BENCH = """\
machine: bench
scan: 10 ms
inputs:
  go: {from: operator}
  turn: {from: operator}
  home: {}
  away: {}
  still: {}
  caught: {contact: normally_closed}
outputs: {oil: {}, forward: {}, back: {}, motor: {}}
parts:
  slide: {kind: travel, stops: [home, away], forward: forward and oil, back: back and oil, takes: 20..30 ms,
          senses: {home: at home, away: at away}}
  shaft: {kind: spin, drive: motor and oil, runs_down: 10..20 ms, senses: {still: still}}
  catch:
    kind: automaton
    states:
      free: {exits: [{to: caught, when: slide.at_away, freely: true}]}
      caught: {exits: [{to: free, when: slide.at_home, takes: 10 ms}]}
    senses: {caught: not at caught}
sequences:
  slide_to:
    start: back
    states:
      back: {on: [oil, back], exits: [{when: go, to: forward}]}
      forward: {on: [oil, forward], exits: [{when: not go, to: back}]}
  shaft_to:
    start: off
    states:
      off: {exits: [{when: turn, to: running}]}
      running: {on: [motor], exits: [{when: not turn, to: off}]}
requirements:
  can_turn: {reach: shaft_to.running}
"""
"""Two parts that share the oil, one that reads another, and a controller that does what it is told."""


def disturbance_for(hypothesis: Hypothesis) -> Disturbance | None:
    """What a simulation does under a hypothesis about a signal."""
    if hypothesis.trouble not in _KINDS:
        return None
    return Disturbance(_KINDS[hypothesis.trouble], (hypothesis.subject,), 100, longest=40)


def machines() -> st.SearchStrategy[Machine]:
    """The bench, or a machine made by chance whose parts are seen at all."""
    bench = st.just(read_machine_text(BENCH).machine)
    return bench | closed_machines(patterns=("never",), parts=2).filter(
        lambda machine: any(part.senses for part in machine.parts.values())
    )


@st.composite
def recorded(draw: Draw, machine: Machine) -> tuple[Hypothesis, list[Seen]]:
    """A run under some hypothesis, seen by the controller, now and then with a level that cannot be."""
    true = draw(
        st.sampled_from([item for item in hypotheses_of(machine) if item.trouble is not Trouble.POWER])
    )
    scans = draw(st.integers(2, 30))
    begins = draw(st.integers(0, scans - 1))
    kind = draw(st.sampled_from((OperatorKind.CLUMSY, OperatorKind.HOSTILE)))
    simulation = Simulation(machine, seed=draw(st.integers(0, 999)), operator=kind)
    found: list[Seen] = []
    for scan in range(scans):
        disturbance = disturbance_for(true)
        if scan == begins and disturbance is not None:
            simulation.inject(disturbance)
        frame = simulation.step()
        wired = frame.wired or {}
        outputs = {name: int(on) for name, on in simulation.executive.outputs.items()}
        found.append(({name: int(level) for name, level in wired.items()}, outputs, True))
    if machine.inputs and draw(st.integers(0, 2)) == 0:
        name = draw(st.sampled_from(list(machine.inputs)))
        first = draw(st.integers(0, scans - 1))
        level = draw(st.sampled_from((0, 1, None)))
        for scan in range(first, min(scans, first + draw(st.integers(1, 20)))):
            inputs, outputs, power = found[scan]
            found[scan] = ({**inputs, name: level}, outputs, power)
    if draw(st.integers(0, 3)) == 0:  # power is away for a while, which leaves the parts alone
        first = draw(st.integers(0, scans - 1))
        for scan in range(first, min(scans, first + 5)):
            inputs, outputs, _ = found[scan]
            found[scan] = (dict.fromkeys(inputs), dict.fromkeys(outputs, 0), False)
    if draw(st.booleans()):  # a long rest, in which scans are skipped
        found += [found[-1]] * draw(st.integers(5, 30))
    return true, found


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
        if hypothesis.trouble is Trouble.POWER:
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
            if hypothesis.trouble is not Trouble.NONE and hypothesis not in tracking.faulty:
                # A fault of something that moves nothing: whether it has begun changes nothing.
                assert {key[:-1] for key in factored} == {key[:-1] for key in expected}, hypothesis.name
            else:
                assert factored == expected, hypothesis.name
    event(f"some refuted: {refuted > 0}")
    event(f"true one: {true.trouble.value}")
