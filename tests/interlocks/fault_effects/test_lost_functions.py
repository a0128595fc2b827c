"""What a stuck signal surely takes away, held against hand and against the executive."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from stillgate.controller.execution.executive import Executive
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.fault_effects.lost_functions import LostFunctions, losses_by_fault
from stillgate.sim_io.faults.fault_list import FaultKind, faults_of

MACHINES = Path(__file__).parents[3] / "machines"
CART = """\
machine: cart
scan: 10 ms
inputs:
  go: {from: operator}
  stop_1: {from: operator, contact: normally_closed}
  stop_2: {from: operator, contact: normally_closed}
  seat: {from: operator, debounce: 30 ms}
  shut_1: {}
  shut_2: {contact: normally_closed}
  shut_seen: {}
outputs: {oil: {hazard: crushing}, drive: {hazard: crushing}, horn: {}}
hazards: {crushing: between wheel and post}
parts:
  wheel: {kind: spin, drive: oil and drive, runs_down: 20..40 ms, senses: {}}
  door:
    kind: automaton
    states: {shut: {exits: [{to: open, freely: true}]}, open: {exits: [{to: shut, freely: true}]}}
    senses: {shut_1: at shut, shut_2: at shut, shut_seen: not at open}
sequences:
  main:
    start: idle
    overrides: [{when: not stop_1 or not stop_2 or not seat, to: idle}]
    states:
      idle: {exits: [{when: go and seat, to: driving}]}
      driving: {on: [oil, drive, horn], exits: [{after: 100 ms, to: idle}]}
interlocks:
  - {hold_off: drive, unless: shut_1 and shut_2 and shut_seen}
"""


def cart() -> dict[str, LostFunctions]:
    return losses_by_fault(read_machine_text(CART, "cart.yaml").machine)


def test_a_seat_switch_that_never_closes_keeps_the_machine_from_ever_driving() -> None:
    assert cart()["seat stuck off"].stay_off == ("oil", "drive", "horn")
    assert cart()["seat stuck on"].stay_off == ()


def test_a_button_that_never_closes_starts_nothing_again() -> None:
    assert cart()["go stuck off"] == LostFunctions(not_again=("oil", "drive", "horn"))


def test_two_contacts_of_one_device_are_its_channels() -> None:
    found = cart()
    assert found["stop_1 stuck on"].channels == ("stop_2",)
    assert found["shut_1 stuck on"].channels == ("shut_2",)  # one part closes both, however they are built


def test_what_does_the_same_by_another_cause_is_no_channel() -> None:
    """The seat stops what the stop buttons stop, and the door's third switch is told otherwise."""
    found = cart()
    assert found["seat stuck on"].channels == ()
    assert found["shut_seen stuck on"].channels == ()


def test_of_two_outputs_in_a_row_each_keeps_off_what_the_other_drives() -> None:
    found = cart()
    assert found["drive stuck on"].channels == ("oil",)
    assert found["oil stuck on"].channels == ("drive",)
    assert found["horn stuck on"].channels == ()  # it drives no part
    assert found["drive stuck off"] == LostFunctions(stay_off=("drive",))


def test_an_output_that_drives_something_alone_has_no_second_one() -> None:
    text = CART.replace("drive: oil and drive", "drive: oil and drive or drive")
    found = losses_by_fault(read_machine_text(text, "cart.yaml").machine)
    assert found["drive stuck on"].channels == ()


def test_an_output_that_only_keeps_something_off_drives_nothing_by_that() -> None:
    """As of a valve that must be off while another one drives back."""
    text = CART.replace(
        "  wheel: {kind: spin, drive: oil and drive, runs_down: 20..40 ms, senses: {}}",
        "  ram: {kind: travel, stops: [a, b], forward: oil and drive, back: horn and not (oil and drive),"
        " takes: 20..40 ms, senses: {}}",
    )
    found = losses_by_fault(read_machine_text(text, "cart.yaml").machine)
    assert found["drive stuck on"].channels == ("oil",)


@pytest.mark.parametrize(
    "name",
    ["cart", "press_two_hand", "guarded_saw", pytest.param("lavender_harvester", marks=pytest.mark.night)],
)
def test_the_executive_never_drives_what_is_said_to_stay_off(name: str) -> None:
    """Random operation with the contact stuck; the executive shares nothing with what is tested but terms."""
    text = CART if name == "cart" else (MACHINES / f"{name}.yaml").read_text(encoding="utf-8")
    machine = read_machine_text(text).machine
    chance = random.Random(11)
    found = losses_by_fault(machine)
    for fault in faults_of(machine):
        if fault.kind not in (FaultKind.INPUT_ON, FaultKind.INPUT_OFF):
            continue
        lost, level = found[fault.name], fault.kind is FaultKind.INPUT_ON
        if not (lost.stay_off or lost.not_again):
            continue
        executive = Executive(machine)
        for scan in range(120):
            for signal in machine.inputs:
                if chance.random() < 0.2:
                    executive.inputs[signal] = not executive.inputs[signal]
            if scan >= 40:
                executive.inputs[fault.subject] = level
            asked = {output: bool(executive.why(output).demanded_by) for output in lost.not_again}
            executive.scan()
            if executive.seen[fault.subject] is level:
                assert not any(executive.outputs[output] for output in lost.stay_off), fault.name
                for output in lost.not_again:
                    assert asked[output] or not executive.outputs[output], fault.name
