"""No command says 'on' or 'off' of a normally closed contact, where 'off' would read as 'not pressed'."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from stillgate.console.words import change_words
from stillgate.controller.machine_file.machine import Contact
from stillgate.interlocks.results.verdict import Cause, StoryChange

from .conftest import Command

BARE = re.compile(r"\b(stop_ok|guard_shut)( \(NC\))?( goes)? (on|off)\b")
EVENTS = ("--for", "3 s", "--at", "1 s start on for 200 ms", "--at", "2 s guard_shut off", "--seed", "7")


def told(text: str) -> str:
    """Nothing but single spaces, so that a line's end hides nothing."""
    return " ".join(text.split())


@pytest.fixture
def weak(starter: Path) -> Path:
    """The starter with an open guard that stops nothing: its check has stories to tell."""
    text = starter.read_text(encoding="utf-8")
    found = "when: not stop_ok or not guard_shut, to"
    assert found in text
    interlock = "  - {hold_off: motor, unless: guard_shut, why: nothing turns behind an open guard}\n"
    assert interlock in text
    text = text.replace(found, "when: not stop_ok, to").replace(interlock, "")
    starter.write_text(text, encoding="utf-8")
    return starter


def test_a_story_tells_that_a_circuit_opens(stillgate: Command, weak: Path) -> None:
    said = told(stillgate("check", weak).out)
    assert "surroundings: guard_shut opens" in said
    assert "(actuated)" in said
    assert not BARE.search(said)


def test_so_do_the_forms_for_programs() -> None:
    """JUnit and SARIF word a change by the same function."""
    pressed = StoryChange("stop_ok", "on", "off", Cause.OPERATOR, Contact.NORMALLY_CLOSED)
    assert change_words(pressed) == "stop_ok opens (actuated)"
    assert change_words(replace(pressed, contact=Contact.NORMALLY_OPEN)) == "stop_ok goes off"


def test_a_run_tells_it_and_names_at_its_end_what_is_open(stillgate: Command, starter: Path) -> None:
    said = told(stillgate("run", starter, *EVENTS).out)
    assert "surroundings: guard_shut opens" in said
    assert "normally closed contacts open (actuated): guard_shut" in said
    assert not BARE.search(said)


def test_a_chart_marks_the_lane_and_tells_it(stillgate: Command, starter: Path, tmp_path: Path) -> None:
    drawing = tmp_path / "run.svg"
    assert stillgate("run", starter, *EVENTS, "--output", drawing).status == 0
    said = told(re.sub(r"<[^>]*>", " ", drawing.read_text(encoding="utf-8")))
    assert "guard_shut (NC)" in said
    assert "NC: normally closed contact" in said
    assert "surroundings: guard_shut opens (actuated)" in said
    assert "stop_ok closed (released)" in said
    assert not BARE.search(said)


def test_a_replay_tells_what_the_controller_read(stillgate: Command, starter: Path, tmp_path: Path) -> None:
    log = tmp_path / "run.log"
    assert stillgate("run", starter, *EVENTS, "--output", log).status == 0
    said = told(stillgate("replay", starter, log).out)
    assert "guard_shut opens (reads as actuated)" in said
    assert not BARE.search(said)


def test_a_situation_and_what_may_follow_tell_it(stillgate: Command, starter: Path) -> None:
    said = told(stillgate("explain", starter, "--in", "main=running").out)
    assert "if guard_shut opens (actuated): main: override 1 to stopping" in said
    assert not BARE.search(said)
