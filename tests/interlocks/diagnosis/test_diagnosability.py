"""What is proved inseparable is never separated, and what a look at the machine tells apart is not proved."""

from __future__ import annotations

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from diagnosed_runs import disturbance_for
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.diagnosis.diagnosability import Inseparable
from stillgate.interlocks.diagnosis.diagnosis import Tracking
from stillgate.interlocks.diagnosis.hypotheses import NOTHING, FieldFault, Hypothesis, hypotheses_of
from stillgate.sim_io.simulation.operators import OperatorKind
from stillgate.sim_io.simulation.simulation import Simulation

TEXT = """\
machine: slide
scan: 10 ms
inputs:
  go: {from: operator}
  turn: {from: operator}
  home: {}
  away: {}
  still: {}
outputs: {oil: {}, forward: {}, back: {}, motor: {}}
parts:
  slide: {kind: travel, stops: [home, away], forward: forward and oil, back: back and oil, takes: 20..30 ms,
          senses: {home: at home, away: at away}}
  shaft: {kind: spin, drive: motor, runs_down: 10..20 ms, senses: {still: still}}
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
interlocks:
  - {hold_off: oil, unless: still, why: one thing at a time}
requirements:
  can_turn: {reach: shaft_to.running}
"""


@pytest.fixture(scope="module")
def slide() -> Machine:
    return read_machine_text(TEXT).machine


def compared(machine: Machine) -> Inseparable:
    """Before a log has said anything."""
    return Inseparable(Tracking(machine), lower_controller(machine))


def test_a_control_that_does_not_work_can_never_be_told_from_one_nobody_operates(slide: Machine) -> None:
    """An operator's input may have any level at any time, so a stuck one shows nothing new."""
    compare = compared(slide)
    for trouble in (FieldFault.INPUT_ON, FieldFault.INPUT_OFF, FieldFault.INPUT_LOOSE):
        assert compare.from_now_on(Hypothesis(trouble, "go"), NOTHING)


def test_a_broken_wire_can_look_like_a_loose_one_but_not_the_other_way_round(slide: Machine) -> None:
    """A loose contact may stay open; a broken one cannot close."""
    compare = compared(slide)
    broken, loose = Hypothesis(FieldFault.INPUT_OFF, "home"), Hypothesis(FieldFault.INPUT_LOOSE, "home")
    assert compare.from_now_on(broken, loose)
    assert not compare.from_now_on(loose, broken)


def test_a_switch_that_lies_is_told_from_a_healthy_machine(slide: Machine) -> None:
    """Some motion shows it, so nothing is proved."""
    compare = compared(slide)
    for name in ("home", "away", "still"):
        assert not compare.from_now_on(Hypothesis(FieldFault.INPUT_ON, name), NOTHING)


def test_lost_power_is_told_by_the_log_itself(slide: Machine) -> None:
    power = Hypothesis(FieldFault.POWER)
    assert not compared(slide).from_now_on(power, NOTHING)
    assert not compared(slide).from_now_on(NOTHING, power)
    assert compared(slide).from_now_on(power, power)


@settings(max_examples=10, deadline=None)
@given(st.data())
def test_nothing_that_follows_refutes_what_was_proved_inseparable(data: st.DataObject) -> None:
    """The proof is made in the middle of a run; its rest must not separate the two."""
    machine = read_machine_text(TEXT).machine
    signals = [item for item in hypotheses_of(machine) if item.trouble is not FieldFault.POWER]
    true = data.draw(st.sampled_from(signals))
    simulation = Simulation(machine, seed=data.draw(st.integers(0, 999)), operator=OperatorKind.HOSTILE)
    disturbance = disturbance_for(true)
    if disturbance is not None:
        simulation.inject(disturbance)
    tracking = Tracking(machine)
    middle = data.draw(st.integers(1, 60))
    proved: list[Hypothesis] = []
    for scan in range(middle + 60):
        if scan == middle:
            compare = Inseparable(tracking, lower_controller(machine))
            alive = [item for item in signals if tracking.refutation(item, scan) is None]
            assert true in alive
            proved = [item for item in alive if compare.from_now_on(true, item)]
        frame = simulation.step()
        inputs: dict[str, int | None] = {name: int(on) for name, on in (frame.wired or {}).items()}
        outputs = {name: int(on) for name, on in simulation.executive.outputs.items()}
        tracking.run(scan, scan + 1, inputs, outputs, power=True)
    for item in proved:
        assert tracking.refutation(item, middle + 60) is None, item.name
    event(f"proved inseparable: {len(proved) - 1}")


def test_what_a_healthy_machine_looks_like_any_fault_that_has_not_begun_looks_like(slide: Machine) -> None:
    """A fault that no log shows is inseparable from every other one as long as nothing needs one."""
    compare = compared(slide)
    button = Hypothesis(FieldFault.INPUT_ON, "go")
    for other in hypotheses_of(slide):
        assert compare.from_now_on(button, other) is (other.trouble is not FieldFault.POWER), other.name
