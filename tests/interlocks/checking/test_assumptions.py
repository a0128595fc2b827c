"""What a reader must know before leaning on a verdict is said, and only where it is so."""

from __future__ import annotations

from typing import Any

import pytest

from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.checking.assumptions import assumptions_of


def said(*, tick: int = 20, faults: int = 0, **changes: Any) -> str:
    """All assumptions of a small machine with some sections replaced."""
    machine: dict[str, Any] = {
        "machine": "m",
        "scan": "20 ms",
        "inputs": {"button": {"from": "operator"}, "edge": {}, "end": {}},
        "outputs": {"motor": {}},
        "parts": {
            "leaf": {"kind": "travel", "stops": ["shut", "open"], "forward": "motor", "back": "false",
                     "takes": "100..200 ms", "senses": {"end": "at open"}},
        },
        "sequences": {"s": {"start": "a", "states": {
            "a": {"exits": [{"when": "button", "to": "b"}]},
            "b": {"on": ["motor"], "exits": [
                {"after": "300 ms", "to": "a"}, {"when": "edge or end", "to": "a"}]},
        }}},
        "requirements": {},
    } | changes  # fmt: skip
    return "\n".join(assumptions_of(Machine.model_validate(machine), tick, faults))


def test_a_step_of_one_scan_says_so_and_a_longer_tick_says_what_it_blurs() -> None:
    assert "One step is one scan of 20 ms." in said()
    blurred = said(tick=100)
    assert "one tick of 100 ms" in blurred
    assert "scans every 20 ms" in blurred
    assert "closer together than a tick" in blurred


def test_times_that_are_no_whole_ticks_are_listed_as_rounded() -> None:
    assert "rounded up" not in said(tick=100)
    assert "rounded up: 300 ms" in said(tick=200)
    assert "widened outward: leaf" in said(tick=200)
    assert "widened outward" not in said(tick=100)


def test_free_inputs_and_the_operators_are_told_apart_and_sensed_ones_are_neither() -> None:
    text = said()
    assert "operator may do anything in any tick with: button." in text
    assert "may be anything in any tick: edge." in text
    assert "end" not in text.split("may be anything in any tick: ")[1].splitlines()[0]


@pytest.mark.parametrize(
    ("starts", "words"), [("anywhere", "may stand anywhere, moving included: leaf"), ("shut", "leaf shut")]
)
def test_where_parts_begin_is_said(starts: str, words: str) -> None:
    leaf = {"kind": "travel", "stops": ["shut", "open"], "forward": "motor", "back": "false",
            "takes": "100..200 ms", "senses": {"end": "at open"}, "starts": starts}  # fmt: skip
    assert words in said(parts={"leaf": leaf})


def test_limits_of_requirements_are_given_in_ticks() -> None:
    """floor((t - scan) / tick) for 'within', ceil(t / tick) for 'for'."""
    needs = {
        "soon": {"after": "edge", "then": "not motor", "within": "250 ms"},
        "sooner": {"after": "edge", "then": "not motor", "within": "120 ms"},
        "hasty": {"after": "edge", "then": "not motor", "within": "10 ms"},
        "quiet": {"after": "edge", "keep": "not motor", "for": "250 ms"},
    }
    text = said(tick=100, requirements=needs)
    assert "soon: 250 ms allows 2 ticks" in text
    assert "sooner: 120 ms allows 1 tick;" in text
    assert "hasty: 10 ms allows nothing, for it is shorter than a scan" in text
    assert "quiet: 250 ms needs 3 ticks" in text


def test_the_faults_that_were_looked_at_are_said_or_that_there_were_none() -> None:
    assert "No faults." in said()
    text = said(faults=1)
    assert "stuck on or stuck off from any moment on, power-on included" in text
    assert "power interrupted once" in text
    assert "No faults." not in text


def test_possibility_is_said_to_be_judged_without_faults() -> None:
    goal = {"can": {"reach": "motor"}}
    assert "Judged without faults only, since they ask what is possible: can." in said(
        faults=1, requirements=goal
    )
    assert "Judged without faults only" not in said(requirements=goal)


def test_what_is_left_out_and_who_decides_is_always_said_and_nothing_is_promised() -> None:
    for text in (said(), said(faults=1, tick=100)):
        assert "Left out of this check: contact bounce" in text
        assert "a competent person decides" in text
        assert "certified" not in text
        assert "safe" not in text


WATER = {"kind": "automaton", "starts": "full", "states": {
    "full": {"exits": [{"to": "empty", "when": "motor", "takes": "1..2 s"}]}, "empty": {}}}  # fmt: skip


def test_where_parts_begin_is_said_apart_from_since_when() -> None:
    words = "begun at that very moment: water."
    assert "for any time that their times allow: water full." in said(parts={"water": WATER})
    assert words not in said(parts={"water": WATER})
    assert words in said(parts={"water": WATER | {"just_entered": True}})


def test_a_time_that_starts_again_from_0_is_said_to_do_so() -> None:
    words = "starts again from 0 when interrupted: water."
    assert words in said(parts={"water": WATER})
    assert words not in said(parts={"water": WATER | {"states": {"full": {}}}})


def test_a_spin_that_keeps_no_speed_is_said_to_allow_more_than_the_real_one() -> None:
    """Without a time to run up it is at full speed at once, and there is no speed to keep."""
    fan = {"kind": "spin", "drive": "motor", "runs_down": "1 s"}
    assert "No speed between standstill" not in said(parts={"fan": fan})
    assert "may hold by it: fan." in said(parts={"fan": fan | {"runs_up": "1 s"}})
