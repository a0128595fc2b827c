"""What a controller may ask for at all, and what follows where a log does not say what it asked for."""

from __future__ import annotations

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from seen_runs import machines, recorded
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.diagnosis.diagnosis import Tracking, diagnose
from stillgate.interlocks.diagnosis.explanations import Diagnosis
from stillgate.interlocks.diagnosis.output_combinations import output_vectors
from stillgate.interlocks.replay.log_replay import LogRun, stretches
from stillgate.sim_io.logs.change_capture import ChangeCapture
from stillgate.sim_io.logs.log import ALIVE, Change, LogHeader, Subject, log_in_memory
from stillgate.sim_io.simulation.operators import OperatorKind
from stillgate.sim_io.simulation.simulation import Simulation

TEXT = """\
machine: slide
scan: 10 ms
inputs:
  go: {from: operator}
  home: {}
  away: {}
  still: {}
outputs: {oil: {}, forward: {}, back: {}, fan: {}}
parts:
  slide: {kind: travel, stops: [home, away], forward: forward and oil, back: back and oil, takes: 20..30 ms,
          senses: {home: at home, away: at away}, starts: home}
  shaft: {kind: spin, drive: fan, runs_down: 10..20 ms, senses: {still: still}, starts: still}
sequences:
  slide_to:
    start: back
    states:
      back: {on: [oil, back], exits: [{when: rising(go), to: forward}]}
      forward: {on: [oil, forward], exits: [{after: 100 ms, to: back}]}
interlocks:
  - {hold_off: oil, unless: still, why: one thing at a time}
requirements:
  can_move: {reach: slide_to.forward}
"""


@pytest.fixture(scope="module")
def slide() -> Machine:
    return read_machine_text(TEXT).machine


def test_outputs_take_only_combinations_that_states_and_permits_give(slide: Machine) -> None:
    """Forward and back are never together; the oil may be held off under either."""
    vectors = output_vectors(lower_controller(slide), ("oil", "forward", "back"))
    assert set(vectors) == {(1, 1, 0), (0, 1, 0), (1, 0, 1), (0, 0, 1)}


def test_the_controller_never_asks_for_outputs_outside_of_the_combinations(slide: Machine) -> None:
    """Seen in a hostile run."""
    program = lower_controller(slide)
    names = tuple(item.name for item in program.outputs)
    vectors = set(output_vectors(program, names))
    simulation = Simulation(slide, seed=3, operator=OperatorKind.HOSTILE)
    for _ in range(500):
        simulation.step()
        assert tuple(int(simulation.executive.outputs[name]) for name in names) in vectors


# -- outputs that a log does not say -------------------------------------------------------------


def assert_never_ruled_out(data: st.DataObject) -> None:
    """A run under some fault, some outputs forgotten for a while: what is not ruled out by the whole
    log is not ruled out by what is left of it either."""
    machine = data.draw(machines())
    _, log = data.draw(recorded(machine))
    names = list(machine.outputs)
    forgotten = data.draw(st.lists(st.sampled_from(names), min_size=1, unique=True)) if names else []
    first = data.draw(st.integers(0, len(log) - 1))
    last = first + data.draw(st.integers(1, len(log)))
    whole, partly = (Tracking(machine, power_off_is_normal=True) for _ in range(2))
    for scan, (inputs, outputs, power) in enumerate(log):
        known: dict[str, int | None] = dict(outputs)
        if first <= scan < last:
            known.update(dict.fromkeys(forgotten))
        whole.run(scan, scan + 1, inputs, outputs, power=power)
        partly.run(scan, scan + 1, inputs, known, power=power)
    kept = 0
    for hypothesis in whole.hypotheses:
        if whole.refutation(hypothesis, len(log)) is None:
            assert partly.refutation(hypothesis, len(log)) is None, hypothesis.name
            kept += 1
    event(f"left by the whole log: {min(kept, 5)}")


@settings(max_examples=10, deadline=None)
@given(st.data())
def test_what_is_not_known_of_outputs_never_rules_the_truth_out(data: st.DataObject) -> None:
    assert_never_ruled_out(data)


@pytest.mark.night
@settings(max_examples=300, deadline=None)
@given(st.data())
def test_what_is_not_known_of_outputs_never_rules_the_truth_out_in_many_runs(data: st.DataObject) -> None:
    assert_never_ruled_out(data)


def inputs_of_a_run(
    machine: Machine, *, leave_out: int, from_power_on: bool, time_zero: int = 0
) -> Diagnosis:
    """The diagnosis of a healthy run of which only the inputs are logged, the first scans left out.

    ``time_zero`` is the scan from which the log counts its time.
    """
    simulation = Simulation(machine, seed=1)
    capture = ChangeCapture(simulation.executive)
    now: dict[str, int | str | None] = {}
    changes: list[Change] = []
    for scan in range(80):
        simulation.set_input("go", scan in (20, 21, 50, 51))
        simulation.step()
        time = (scan - time_zero) * machine.scan
        seen = [change for change in capture.look() if change.subject is Subject.INPUT]
        now |= {change.name: change.value for change in seen}
        if scan == leave_out:
            changes = [Change(time, Subject.INPUT, name, value) for name, value in now.items()]
        elif scan > leave_out:
            changes += [Change(time, Subject.INPUT, change.name, change.value) for change in seen]
    changes.append(Change(time, Subject.EVENT, ALIVE, None))
    signals = tuple(signal for signal in capture.signals if signal[0] is Subject.INPUT)
    header = LogHeader(machine.machine, scan=machine.scan, signals=signals, from_power_on=from_power_on)
    return diagnose(log_in_memory(header, changes), machine)[0]


MOVING = 25
"""A scan in which the slide is on its way."""


@pytest.mark.parametrize("time_zero", [0, MOVING])
def test_a_log_of_inputs_that_begins_in_mid_run_rules_nothing_true_out(
    slide: Machine, time_zero: int
) -> None:
    """It begins while the slide moves on; a controller just switched on would ask for the way back."""
    found = inputs_of_a_run(slide, leave_out=MOVING, from_power_on=False, time_zero=time_zero)
    assert found.healthy
    assert set(found.unobserved) == {"oil", "forward", "back", "fan"}
    assert not found.computed
    assert found.begins == MOVING - time_zero


def test_taken_for_a_log_from_power_on_it_would_rule_the_truth_out(slide: Machine) -> None:
    """So the test above is about something."""
    assert not inputs_of_a_run(slide, leave_out=MOVING, from_power_on=True, time_zero=MOVING).healthy


def test_where_inputs_are_missing_at_first_outputs_are_not_computed(slide: Machine) -> None:
    found = inputs_of_a_run(slide, leave_out=MOVING, from_power_on=True)
    assert found.healthy
    assert not found.computed


def test_of_a_log_of_inputs_from_power_on_the_outputs_are_computed(slide: Machine) -> None:
    found = inputs_of_a_run(slide, leave_out=0, from_power_on=True)
    assert found.healthy
    assert found.computed == ("oil", "forward", "back", "fan")
    assert not found.unobserved


def test_an_output_that_no_known_state_demands_is_off(slide: Machine) -> None:
    """A damaged record leaves outputs unknown until they change; the states tell of them before."""
    simulation = Simulation(slide, seed=1)
    capture = ChangeCapture(simulation.executive)
    simulation.step()
    kept = [change for change in capture.look() if change.subject in (Subject.INPUT, Subject.STATE)]
    run = LogRun.of(slide)
    for _ in stretches(log_in_memory(LogHeader(slide.machine, signals=capture.signals), kept), run):
        assert not run.sure
    assert {name: run.asked(name) for name in slide.outputs} == {
        "oil": None, "forward": 0, "back": None, "fan": 0,
    }  # fmt: skip
