"""Two-hand control after ISO 13851 (formerly EN 574), type III: timing on the press at its scan of 10 ms.

Published behaviour: both hands within 0.5 s give an output, more than 0.5 s gives none;
releasing either ends it; a new output only after both were released; a plain AND gate can be
worked with one hand while the other button is tied down.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine import runs_to_breaks, searching
from evidence_build import built_quickly
from stillgate.controller.effort import Effort
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine
from stillgate.interlocks.analyses.fault_table import fault_table_of
from stillgate.interlocks.loop.closed_loop import close_loop
from stillgate.interlocks.results.fault_table_rows import FaultOutcome
from stillgate.sim_io.simulation.simulation import Simulation

MACHINES = Path(__file__).parents[2] / "machines"
SCAN = 10
HALF_A_SECOND = 500 // SCAN
LEFT, RIGHT = "left", "right"


class Press:
    """A simulated press and the two hands of its operator."""

    def __init__(self, machine: Machine, seed: int = 0) -> None:
        self.simulation = Simulation(machine, seed=seed)
        assert machine.scan == SCAN
        self.closes = False
        self.hands(left=False, right=False)
        self.wait(200)
        assert not self.closes

    def hands(self, **on_button: bool) -> None:
        for side, pressed in on_button.items():
            self.simulation.set_input(f"{side}_pressed", pressed)
            self.simulation.set_input(f"{side}_released", not pressed)

    def wait(self, scans: int) -> bool:
        """Whether the press closed in any of the next scans."""
        found = False
        for _ in range(scans):
            outputs = self.simulation.step().outputs
            self.closes = outputs["close_valve"] or outputs["feed_valve"]
            found |= self.closes
        return found

    def press_both(self, lag: int, first: str = LEFT) -> bool:
        """Presses one button, the other ``lag`` scans later; whether the press closes within 20 scans."""
        second = RIGHT if first == LEFT else LEFT
        self.hands(**{first: True})
        early = self.wait(lag)
        assert not early
        self.hands(**{second: True})
        return self.wait(20)


@pytest.fixture
def press() -> Press:
    return Press(read_machine(MACHINES / "press_two_hand.yaml").machine)


@pytest.fixture
def plain_and() -> Press:
    return Press(read_machine(MACHINES / "broken" / "press_plain_and.yaml").machine)


@pytest.mark.parametrize("first", [LEFT, RIGHT])
def test_half_a_second_between_the_hands_is_in_time(press: Press, first: str) -> None:
    """ISO 13851, type III: 0.5 s."""
    assert press.press_both(HALF_A_SECOND, first)


@pytest.mark.parametrize("first", [LEFT, RIGHT])
def test_one_scan_more_than_half_a_second_is_too_late(press: Press, first: str) -> None:
    """ISO 13851, type III: 0.51 s gives nothing, however long both stay pressed."""
    assert not press.press_both(HALF_A_SECOND + 1, first)
    assert not press.wait(300)


@pytest.mark.parametrize("side", [LEFT, RIGHT])
def test_letting_go_of_either_button_ends_the_output(press: Press, side: str) -> None:
    assert press.press_both(3)
    assert press.closes
    press.hands(**{side: False})
    assert not press.wait(1)


@pytest.mark.parametrize("side", [LEFT, RIGHT])
def test_pressing_one_again_while_the_other_is_held_starts_nothing(press: Press, side: str) -> None:
    assert press.press_both(3)
    press.hands(**{side: False})
    press.wait(20)
    for _ in range(3):
        press.hands(**{side: True})
        assert not press.wait(100)
        press.hands(**{side: False})
        assert not press.wait(100)


def test_after_both_were_released_both_start_it_again(press: Press) -> None:
    assert press.press_both(3)
    press.hands(left=False, right=False)
    press.wait(200)
    assert press.press_both(3)


def test_a_tied_down_button_makes_the_plain_and_gate_a_one_hand_start(plain_and: Press, press: Press) -> None:
    """The same hands: the right one alone, the left button tied down for a minute before."""
    for machine, starts in ((plain_and, True), (press, False)):
        machine.hands(left=True)
        machine.wait(6000)
        machine.hands(right=True)
        assert machine.wait(20) == starts


def test_the_check_finds_the_one_hand_start_of_the_plain_and_gate() -> None:
    """The story has a stroke, and a second one before both buttons were released."""
    machine = read_machine(MACHINES / "broken" / "press_plain_and.yaml").machine
    with searching(close_loop(machine, tick=SCAN, faults=0, possibility=False), threads=2) as done:
        run = runs_to_breaks(done)["release_before_next_stroke"]
    last = run.ticks[-1].values
    assert last["close_valve.driven"] and last["feed_valve.driven"]


# -- any timing --------------------------------------------------------------------------------


class Rule:
    """The published rule, written on its own: whether an output may be there in a scan.

    Each hand is (pressed, scans since it was pressed). The permission is given when both are
    pressed at most half a second apart after both were seen released, and ends with either.
    """

    def __init__(self) -> None:
        self.armed = False
        self.allowed = False
        self.since = {LEFT: 0, RIGHT: 0}
        self.now = 0

    def scan(self, left: bool, right: bool) -> bool:
        self.now += 1
        if not left and not right:
            self.armed, self.allowed = True, False
        for side, pressed in ((LEFT, left), (RIGHT, right)):
            if not pressed:
                self.since[side] = 0
            elif not self.since[side]:
                self.since[side] = self.now
        if left and right:
            if self.armed and abs(self.since[LEFT] - self.since[RIGHT]) <= HALF_A_SECOND:
                self.allowed = True
            self.armed = False
        else:
            self.allowed = False
        return self.allowed


hold_times = st.one_of(st.integers(1, 6), st.integers(45, 55), st.integers(1, 120))
hands = st.lists(st.tuples(st.booleans(), st.booleans(), hold_times), min_size=1, max_size=25)


def played(steps: list[tuple[bool, bool, int]]) -> Iterator[tuple[bool, bool]]:
    for left, right, scans in steps:
        yield from [(left, right)] * scans


@settings(max_examples=40, deadline=None)
@given(steps=hands, seed=st.integers(0, 9))
def test_whatever_the_hands_do_an_output_is_only_there_when_the_rule_allows_it(
    steps: list[tuple[bool, bool, int]], seed: int
) -> None:
    press, rule = Press(MACHINE, seed), Rule()
    rule.scan(False, False)
    for left, right in played(steps):
        press.hands(left=left, right=right)
        press.wait(1)
        allowed = rule.scan(left, right)
        assert allowed or not press.closes


@settings(max_examples=40, deadline=None)
@given(lag=st.integers(0, 2 * HALF_A_SECOND), first=st.sampled_from((LEFT, RIGHT)))
def test_the_press_closes_exactly_if_the_second_hand_is_in_time(lag: int, first: str) -> None:
    assert Press(MACHINE).press_both(lag, first) == (lag <= HALF_A_SECOND)


MACHINE = read_machine(MACHINES / "press_two_hand.yaml").machine


@pytest.mark.night
def test_every_single_fault_of_a_contact_is_detected_by_a_type_iii_c_control() -> None:
    """EN 574 / ISO 13851, type III C: each actuator has two contacts that must change against each
    other, so that one that fails stops the control. Diagnostic coverage of every contact is then 100 %."""
    document = read_machine(MACHINES / "press_two_hand.yaml")
    with built_quickly():
        table = fault_table_of(document, effort=Effort(threads=1))
    contacts = [row for row in table.rows if row.subject.startswith(("left_", "right_"))]
    assert len(contacts) == 8
    assert {row.outcome for row in contacts} == {FaultOutcome.STOPS}
    assert {item.band for item in table.coverage if item.subject.startswith(("left_", "right_"))} == {"high"}
