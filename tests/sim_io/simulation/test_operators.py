"""Operators: the sensible one works the machine, the clumsy one slips, the hostile one does anything."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machines_strategy import machines
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.sim_io.simulation.batch import BatchSimulation
from stillgate.sim_io.simulation.operators import CHANGES, PAUSES, OperatorKind
from stillgate.sim_io.simulation.simulation import Frame, Simulation

MACHINES = Path(__file__).parents[3] / "machines"

SAW = read_machine_text(
    """\
machine: saw
scan: 20 ms
inputs:
  estop: {from: operator, contact: normally_closed}
  seat: {from: operator}
  start: {from: operator}
  wood: {}
outputs: {blade: {}}
sequences:
  main:
    start: idle
    overrides: [{when: not estop or not seat, to: idle}]
    states:
      idle: {exits: [{when: rising(start) and helper.ready, to: running}]}
      running: {on: [blade], exits: [{when: wood, to: done}]}
      done: {exits: [{when: not start, to: idle}]}
  helper:
    start: waiting
    states:
      waiting: {exits: [{when: not start, to: ready}]}
      ready: {exits: [{after: 5 s, to: waiting}]}
"""
).machine


def frames(kind: OperatorKind, scans: int, *, seed: int = 0, machine: Machine = SAW) -> Iterator[Frame]:
    simulation = Simulation(machine, seed=seed, operator=kind)
    for _ in range(scans):
        yield simulation.step()


def changes(kind: OperatorKind, scans: int, seed: int = 0) -> list[set[str]]:
    """The inputs that changed in each scan, after the first."""
    found: list[set[str]] = []
    before: Frame | None = None
    for frame in frames(kind, scans, seed=seed):
        if before is not None:
            found.append({name for name, on in frame.circuits.items() if on != before.circuits[name]})
        before = frame
    return found


@pytest.mark.parametrize("seed", range(5))
def test_a_sensible_operator_first_does_what_keeps_the_overrides_quiet(seed: int) -> None:
    first = next(frames(OperatorKind.SENSIBLE, 1, seed=seed))
    assert first.circuits["estop"]
    assert first.circuits["seat"]


def test_a_sensible_operator_does_what_exits_wait_for_edges_and_other_sequences_included() -> None:
    seen = {frame.states["main"] for frame in frames(OperatorKind.SENSIBLE, 6000)}
    assert seen == {"idle", "running", "done"}


def test_a_sensible_operator_presses_the_stop_rarely_and_lets_go_of_it() -> None:
    stopped = [not frame.circuits["estop"] for frame in frames(OperatorKind.SENSIBLE, 6000)]
    assert 0 < sum(stopped) < 1500


def test_people_take_their_time_and_the_surroundings_theirs() -> None:
    scans = 4000
    hands = [names & {"estop", "seat", "start"} for names in changes(OperatorKind.SENSIBLE, scans)]
    times = [i for i, names in enumerate(hands) if names]
    assert min(two - one for one, two in pairwise(times)) * 20 >= min(PAUSES[OperatorKind.SENSIBLE])
    wood = sum("wood" in names for names in changes(OperatorKind.SENSIBLE, scans))
    mean = sum(CHANGES) / len(CHANGES) / 20
    assert scans / mean / 3 < wood < scans / mean * 3


def test_a_clumsy_operator_is_quicker_and_does_more() -> None:
    def count(kind: OperatorKind) -> int:
        return sum(len(names - {"wood"}) for names in changes(kind, 4000))

    assert count(OperatorKind.CLUMSY) > 1.5 * count(OperatorKind.SENSIBLE)


def test_a_hostile_operator_changes_anything_in_any_scan_and_several_at_once() -> None:
    found = changes(OperatorKind.HOSTILE, 3000)
    assert set().union(*found) == {"estop", "seat", "start", "wood"}
    assert max(map(len, found)) >= 3
    gaps = Counter(bool(one) and bool(two) for one, two in pairwise(found))
    assert gaps[True] > 10, "in two scans running"


@settings(deadline=None, max_examples=20, suppress_health_check=[HealthCheck.too_slow])
@given(machines(), st.sampled_from(OperatorKind), st.integers(0, 99))
def test_any_machine_can_be_operated(machine: Machine, kind: OperatorKind, seed: int) -> None:
    """No cell leaves its range, and the same seed gives the same run."""

    def run() -> list[object]:
        return [frame.circuits for frame in frames(kind, 60, seed=seed, machine=machine)]

    assert run() == run()


def test_a_machine_without_free_inputs_needs_no_operator() -> None:
    text = "machine: m\nscan: 20 ms\noutputs: {x: {}}\nsequences: {s: {start: a, states: {a: {on: [x]}}}}\n"
    machine = read_machine_text(text).machine
    for kind in OperatorKind:
        assert [frame.outputs["x"] for frame in frames(kind, 3, machine=machine)] == [True] * 3


def test_the_harvester_is_operated_into_most_of_its_exits() -> None:
    """Twenty hours in all: what the operators reach of the demonstration machine."""
    batch = BatchSimulation(read_machine(MACHINES / "lavender_harvester.yaml").machine)
    taken = batch.shifts(0, 120, seed=1, scans=30_000).taken
    assert sum(map(bool, taken)) >= 0.85 * len(taken)
    alone = batch.shifts(0, 40, seed=1, scans=30_000, kinds=[OperatorKind.SENSIBLE]).taken
    marks = batch.source.controller.exit_marks
    reached = {mark for mark, count in zip(marks, alone, strict=True) if count}
    for needed in ("harvest: warning, exit 3 to cutting", "frames: index_back, exit 1 to settling"):
        assert needed in reached
