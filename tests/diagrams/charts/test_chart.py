"""Timing charts: what is drawn is what was recorded, with the reason the controller had."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillgate.controller.errors import ProgramFault
from stillgate.controller.reading.reader import read_machine_text
from stillgate.diagrams.charts.chart import Chart, Expected, Group, Window, chart_of
from stillgate.diagrams.charts.chart_svg import scale_of, svg_of
from stillgate.diagrams.charts.time_scale import CLOSEST, time_scale_of
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.results.recording import (
    Recording,
    recording_of_frames,
    recording_of_story,
    time_in_states,
)
from stillgate.sim_io.simulation.script import parse_script, play
from stillgate.sim_io.simulation.simulation import Simulation

from ..gate import GATE, gate, hostile

SVG = "{http://www.w3.org/2000/svg}"
EVENTS = (
    "0.1 s open_button on for 100 ms",
    "6 s edge_clear off for 100 ms",
    "14 s stop_ok off for 60 ms",
    "15 s open_button on for 100 ms",
    "16 s power off",
    "17 s power on",
)


def played(*events: str, duration: int = 18_000) -> Recording:
    machine = gate()
    simulation = Simulation(machine, seed=3)
    return recording_of_frames(machine, list(play(simulation, parse_script(events, machine), duration)))


def charted(*events: str) -> Chart:
    return chart_of(played(*events), name="run", title="A run")


def test_a_lane_says_in_every_instant_what_was_recorded() -> None:
    recording = played(*EVENTS)
    chart = chart_of(recording, name="run", title="A run", always=gate().inputs)
    lanes = {lane.name: lane for lane in chart.lanes}
    assert set(gate().inputs) <= set(lanes)
    for number, instant in enumerate(recording.instants):
        said = {name: lane.at(number) for name, lane in lanes.items()}
        for name, on in {**instant.circuits, **instant.outputs}.items():
            if name in said:
                assert said[name] == ("on" if on else "off")
        states = {name: state or "off" for name, state in instant.states.items()}
        memory = {name: str(value) for name, value in instant.memory.items()}
        for name, value in {**states, **memory, **instant.parts}.items():
            if name in said:
                assert said[name] == value


def test_what_never_changes_is_named_and_not_drawn() -> None:
    chart = charted("0.1 s open_button on for 100 ms")
    drawn = {lane.name for lane in chart.lanes}
    assert "stop_ok" not in drawn
    assert "stop_ok closed (released)" in chart.steady
    assert not {item.split(" ")[0] for item in chart.steady} & drawn


def test_every_change_of_the_controller_has_its_reason() -> None:
    said = [change for step in charted(*EVENTS).steps for change in step.changes]
    assert (
        "controller: gate resting → opening (↑open_button and openings < 9 / openings := openings + 1)"
        in said
    )
    assert "controller: motor_open goes on (demanded by gate.opening)" in said
    assert any(
        text.startswith("controller: gate opening → resting (override 1: not stop_ok)")
        or text.startswith("controller: gate waiting → shutting (10 s in state)")
        for text in said
    )
    assert (
        "controller: light lit → off (power is off)" in said
        or "controller: gate opening → off (power is off)" in said
    )
    assert all("()" not in text for text in said)


def test_an_interlock_is_named_where_it_holds_off() -> None:
    text = GATE.replace(
        "{when: not edge_clear, to: opening}", "{when: gate_open and not edge_clear, to: opening}"
    )
    machine = read_machine_text(text, "yard_gate.yaml").machine
    frames = list(
        play(
            Simulation(machine, seed=1),
            parse_script(["0.1 s open_button on for 100 ms", "16 s edge_clear off for 200 ms"], machine),
            20_000,
        )
    )
    chart = chart_of(recording_of_frames(machine, frames), name="run", title="A run")
    said = [change for step in chart.steps for change in step.changes]
    assert "controller: motor_shut goes off (held off by interlock 1 (closing edge must be clear))" in said


def test_a_recording_of_another_machine_is_refused() -> None:
    recording = played(*EVENTS)
    other = read_machine_text(GATE.replace("after: 10 s", "after: 1 s"), "yard_gate.yaml").machine
    with pytest.raises(ProgramFault, match="recorded were"):
        chart_of(Recording(other, recording.period, recording.instants), name="x", title="x")


LAMP = """\
machine: lamp
scan: 10 ms
inputs:
  button: {from: operator}
outputs:
  lamp: {}
sequences:
  light:
    start: off
    states:
      off: {exits: [{when: rising(button), to: lit}]}
      lit: {on: [lamp], exits: [{when: rising(button), to: off}]}
  other:
    start: low
    states:
      low: {exits: [{when: rising(button), to: high}]}
      high: {exits: [{when: rising(button), to: low}]}
requirements:
  never_lit: {never: lamp}
check: {faults: 1}
"""


def test_a_state_named_off_is_not_a_loss_of_power() -> None:
    """Words for a value must not be read back: 'off' is said of a sequence without power too."""
    document = read_machine_text(LAMP, "lamp.yaml")
    events = ("0.1 s button on for 50 ms", "0.3 s button on for 50 ms", "0.5 s power off", "0.6 s power on")
    simulation = Simulation(document.machine, seed=1)
    frames = play(simulation, parse_script(events, document.machine), 800)
    recording = recording_of_frames(document.machine, list(frames))
    said = [change for step in chart_of(recording, name="x", title="x").steps for change in step.changes]
    assert [text.partition(" (")[0] for text in said if ": light" in text] == [
        "controller: light off → lit",
        "controller: light lit → off",
    ]
    assert sum(instant.powered for instant in recording.instants) == len(recording.instants) - 10
    story = check(document, use_cache=False).requirements[0].story
    assert story is not None
    chart_of(recording_of_story(document.machine, story, 10), name="x", title="x")


BROKEN = (
    GATE
    + """\
requirements:
  edge_stops_it: {after: not edge_clear and motor_shut, then: not motor_shut, within: 1 s}
  stays_open: {after: gate_open, keep: not motor_shut, for: 20 s}
  asked_first: {before: motor_shut, first: light.dark and openings = 2, since: rising(open_button)}
  never_lit: {never: lamp}
check: {tick: 500 ms, faults: 0}
"""
)


def test_a_story_of_the_check_becomes_a_chart_with_its_window() -> None:
    document = read_machine_text(BROKEN, "yard_gate.yaml")
    result = check(document, use_cache=False)
    stories = {item.name: item.story for item in result.requirements if item.story is not None}
    assert {"stays_open", "asked_first", "never_lit"} <= set(stories)
    for name, story in stories.items():
        recording = recording_of_story(document.machine, story, result.tick)
        assert len(recording.instants) == story.ticks
        assert story.window is not None
        first, last = story.window
        assert last == story.ticks - 1, name
        assert 0 <= first <= last
        if name == "never_lit":
            assert first == last
            assert recording.instants[last].outputs["lamp"]
        if name == "stays_open":  # the newest trigger: the gate is seen open there
            assert recording.instants[first].circuits["gate_open"]
            assert (last - first) * result.tick <= 20_000
        if name == "asked_first":  # nothing came first in all of the window
            assert not any(
                instant.states["light"] == "dark" and instant.memory["openings"] == 2
                for instant in recording.instants[first : last + 1]
            )
        chart = chart_of(recording, name=name, title=story.headline, windows=(Window(first, last, "w"),))
        assert chart.steps[-1].instant <= last
        ET.fromstring(svg_of(chart))


def test_truths_of_parts_are_drawn_where_they_are_asked_for_and_not_else() -> None:
    document = read_machine_text(BROKEN, "yard_gate.yaml")
    story = check(document, use_cache=False).requirements[0].story
    assert story is not None
    recording = recording_of_story(document.machine, story, 500)
    asked = chart_of(recording, name="x", title="x", always=("leaf.moving",))
    (lane,) = (lane for lane in asked.lanes if lane.group is Group.TRUTH)
    assert lane.name == "leaf.moving"
    moving = [instant.truths["leaf.moving"] for instant in story.instants]
    assert [lane.at(number) == "on" for number in range(story.ticks)] == moving
    assert not any(lane.group is Group.TRUTH for lane in chart_of(recording, name="x", title="x").lanes)


def texts(svg: str) -> str:
    root = ET.fromstring(svg)
    return " ".join("".join(node.itertext()) for node in root.iter(f"{SVG}text"))


def test_the_drawing_holds_every_lane_step_and_reason() -> None:
    chart = charted(*EVENTS)
    words = texts(svg_of(chart))
    for lane in chart.lanes:
        assert lane.name in words
    for step in chart.steps:
        for change in step.changes:
            assert change.split(" (")[0] in words
    assert "unchanged: stop_ok closed (released)" in texts(svg_of(charted("0.1 s open_button on for 100 ms")))
    assert "A run" not in texts(svg_of(chart, key=False))


def test_drawings_are_the_same_every_time_and_grey() -> None:
    svg = svg_of(charted(*EVENTS))
    assert svg == svg_of(charted(*EVENTS))
    for colour in re.findall(r'(?:fill|stroke)="([^"]+)"', svg):
        grey = re.fullmatch(r"#(..)\1\1", colour)
        assert grey or colour in ("black", "white", "none") or colour.startswith("url("), colour


def test_texts_of_a_hostile_file_stay_texts() -> None:
    machine = hostile()
    frames = list(play(Simulation(machine), parse_script(["0.1 s a on"], machine), 300))
    recording = recording_of_frames(machine, frames)
    svg = svg_of(chart_of(recording, name="x", title=machine.title, windows=(Window(0, 3, machine.note),)))
    assert "<script" not in svg
    ET.fromstring(svg)


def test_a_part_of_the_time_can_be_drawn() -> None:
    recording = played(*EVENTS)
    whole = chart_of(recording, name="x", title="x")
    part = chart_of(recording, name="x", title="x", first=300, last=500)
    assert part.length == 201
    assert part.begins == 6000
    expected = [step.instant - 300 for step in whole.steps if 300 < step.instant <= 500]
    assert [step.instant for step in part.steps] == expected


def test_time_in_states_adds_up_to_the_time_with_power() -> None:
    recording = played(*EVENTS)
    spent = time_in_states(recording)["gate"]
    powered = sum(instant.powered for instant in recording.instants)
    assert sum(spent.values()) == powered < len(recording.instants)


@given(st.integers(1, 400), st.sets(st.integers(0, 400)), st.floats(50, 2000))
def test_the_axis_keeps_order_and_room_and_shortens_only_what_it_says(
    length: int, steps: set[int], room: float
) -> None:
    scale = time_scale_of(length, sorted(steps), room)
    places = [scale.at(instant) for instant in range(length + 1)]
    assert places[0] == 0
    assert all(left <= right for left, right in pairwise(places))
    assert scale.pieces[0].start == 0
    assert scale.pieces[-1].end == length
    assert all(a.end == b.start and a.right == b.left for a, b in pairwise(scale.pieces))
    per_tick = [(p.right - p.left) / (p.end - p.start) for p in scale.pieces if not p.broken]
    assert per_tick
    assert max(per_tick) - min(per_tick) < 0.05
    assert all((p.right - p.left) / (p.end - p.start) <= max(per_tick) + 0.05 for p in scale.pieces)
    if len(scale.pieces) > 1:
        assert all(p.right - p.left >= CLOSEST - 0.05 for p in scale.pieces)
    assert scale.width >= room - 1 or not scale.is_true or len(scale.pieces) > 1


def test_a_fault_that_is_there_from_the_start_is_named_and_its_instant_marked() -> None:
    """Its lane never changes, and its box may be a tick wide: it is the reason of all that follows."""
    document = read_machine_text(LAMP, "lamp.yaml")
    story = next(item.story for item in check(document, use_cache=False).requirements)
    assert story is not None
    pressed = replace(  # both sequences go over in the first scan, and stay
        story.recording[0].instant,
        circuits={"button": False},
        terminals={"button": True},
        states={"light": "lit", "other": "high"},
        outputs={"lamp": True},
        faults=("button stuck on",),
    )
    chart = chart_of(Recording(document.machine, 10, (pressed,) * 5), name="x", title="x")
    (lane,) = (lane for lane in chart.lanes if lane.group is Group.FAULT)
    assert [run.value for run in lane.runs] == ["button stuck on"]
    svg = svg_of(chart)
    assert "button stuck on</text>" in svg
    assert 'd="M-6 -13H6L0 -4Z"' in svg  # the triangle at the instant in which it begins
    assert chart.steps[0].changes[0] == "fault: button stuck on"


def test_the_name_of_a_fault_is_written_where_its_bar_is_a_tick_wide() -> None:
    chart = charted(*EVENTS[:2], "17.98 s motor_open stuck on")
    assert "motor_open stuck on" in texts(svg_of(chart))


def test_of_a_stuck_input_the_switch_and_what_the_controller_sees_are_two_lanes() -> None:
    chart = charted("1 s gate_open stuck on", "0.1 s open_button on for 100 ms")
    lanes = {lane.name: lane for lane in chart.lanes}
    assert lanes["gate_open"].mark == " (switch)"
    assert lanes["seen.gate_open"].at(chart.length - 1) == "on"
    assert lanes["gate_open"].at(chart.length - 1) == "off"
    words = texts(svg_of(chart))
    assert "gate_open (switch)" in words
    assert "seen.gate_open" in words


def test_an_axis_that_is_broken_says_so_where_its_times_stand() -> None:
    chart = charted(*EVENTS)
    assert not scale_of(chart).is_true
    assert "time, not to scale" in texts(svg_of(chart))


def test_an_expectation_has_a_lane_from_when_it_was_judged_until_it_was_decided() -> None:
    expected = (Expected("scenario step 2", 10, 20, "met", "lamp within 300 ms: met at 400 ms"),)
    recording = played(*EVENTS)
    chart = chart_of(recording, name="x", title="x", expected=expected)
    (lane,) = (lane for lane in chart.lanes if lane.group is Group.EXPECTED)
    assert [(run.start, run.end, run.value) for run in lane.runs][:2] == [(0, 10, ""), (10, 21, "met")]
    assert "scenario step 2 expected: lamp within 300 ms: met at 400 ms" in texts(svg_of(chart))
    part = chart_of(recording, name="x", title="x", first=15, last=400, expected=expected)
    (lane,) = (lane for lane in part.lanes if lane.group is Group.EXPECTED)
    assert [(run.start, run.end, run.value) for run in lane.runs][:1] == [(0, 6, "met")]
    later = chart_of(recording, name="x", title="x", first=30, expected=expected)
    assert not later.expected
