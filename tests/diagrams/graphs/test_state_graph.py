"""State diagrams: everything of the machine is in them, nothing of the text breaks them."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest

from stillgate.controller.reading.reader import read_machine_text
from stillgate.diagrams.diagram import legend
from stillgate.diagrams.graphs.overlay import Overlay
from stillgate.diagrams.graphs.renderer import Picture, find_renderer
from stillgate.diagrams.graphs.signal_flow import arrows_of, machine_diagram
from stillgate.diagrams.graphs.state_graph import state_diagram

from ..gate import gate, hostile

RENDERER = find_renderer()


def texts(svg: bytes) -> str:
    """The words of a picture, as its reader sees them."""
    root = ET.fromstring(svg)
    found = ("".join(node.itertext()) for node in root.iter("{http://www.w3.org/2000/svg}text"))
    return " ".join(" ".join(found).split())


def test_where_a_path_ends_is_explained_even_where_the_sequence_takes_no_step() -> None:
    overlay = Overlay(end="resting", explanation="the way to the break of r")
    words = texts(RENDERER.draw(state_diagram(gate(), "gate", overlay), Picture.SVG))
    assert "thick border the state at the end of the way to the break of r" in words


def test_every_state_exit_override_and_output_is_drawn() -> None:
    words = texts(RENDERER.draw(state_diagram(gate(), "gate"), Picture.SVG))
    for word in (
        "resting", "opening", "waiting", "shutting",
        "↑open_button and openings < 9", "/ openings := openings + 1", "not stop_ok",
        "1: gate_open", "2: 8 s in state", "10 s in state", "1: gate_shut", "2: not edge_clear",
        "3: gate_open for 1 s", "motor_open", "motor_shut*",
    ):  # fmt: skip
        assert word in words, word


def test_only_the_start_state_has_doubled_sides() -> None:
    """Initial step of IEC 60848: doubled sides [C]."""
    source = state_diagram(gate(), "gate").source
    doubled = [line for line in source.splitlines() if re.search(r"peripheries=2", line)]
    assert len(doubled) == 1
    assert "resting" in doubled[0]


def test_exits_to_one_state_share_an_arrow_and_overrides_are_drawn_once() -> None:
    diagram = state_diagram(gate(), "gate")
    # resting>opening, opening>waiting, opening>resting, waiting>shutting, shutting>resting (two
    # exits), shutting>opening, and the override
    assert diagram.edges == 7
    assert diagram.nodes == 5


def test_the_legend_explains_used_marks_only() -> None:
    gate_words = texts(RENDERER.draw(state_diagram(gate(), "gate"), Picture.SVG))
    light_words = texts(RENDERER.draw(state_diagram(gate(), "light"), Picture.SVG))
    for mark in ("has just gone on", "override", "interlock, off unless edge_clear", "in this order"):
        assert mark in gate_words
        assert mark not in light_words


def test_an_unknown_sequence_is_refused() -> None:
    with pytest.raises(KeyError, match="gatte"):
        state_diagram(gate(), "gatte")


@pytest.mark.parametrize("picture", list(Picture))
def test_texts_of_a_hostile_file_are_drawn_as_they_are(picture: Picture) -> None:
    for diagram in (state_diagram(hostile(), "graph"), machine_diagram(hostile())):
        drawing = RENDERER.draw(diagram, picture)
        if picture is Picture.SVG:
            assert "a <b>\"quoted\" & 'odd'</b> \\N \\x07 title > x" in texts(drawing)
            assert b"<script" not in drawing


def test_a_legend_in_columns_says_the_same_as_one_below_the_other() -> None:
    rows = [(str(number), f"meaning {number}") for number in range(5)]
    marks = [re.findall(r'valign="top">(\d)</td>', legend(rows, columns)) for columns in (1, 2, 3)]
    assert marks == [list("01234"), list("03142"), list("02413")]  # filled column by column
    assert legend([], 2) == ""


def test_drawings_are_the_same_every_time() -> None:
    diagram = machine_diagram(gate())
    assert RENDERER.draw(diagram, Picture.SVG) == RENDERER.draw(machine_diagram(gate()), Picture.SVG)


def test_only_black_white_and_greys_are_used() -> None:
    for diagram in (state_diagram(gate(), "gate"), machine_diagram(gate())):
        svg = RENDERER.draw(diagram, Picture.SVG).decode()
        for colour in re.findall(r'(?:fill|stroke)="([^"]+)"', svg):
            grey = re.fullmatch(r"#(..)\1\1", colour)
            assert grey or colour in ("black", "white", "none", "transparent"), colour


def test_the_signal_flow_joins_who_speaks_to_whom() -> None:
    arrows = {(a.source, a.target, a.upward, a.both, a.watching) for a in arrows_of(gate())}
    assert arrows == {
        ("operator", "sequence gate", False, False, False),
        ("outside", "sequence gate", False, False, False),
        ("sequence gate", "part leaf", False, True, False),
        ("sequence light", "indicators", False, False, False),
        ("sequence gate", "sequence light", False, False, True),
    }


LOOKING = """\
machine: two
scan: 20 ms
inputs: {a: {from: operator}}
outputs: {b: {}}
sequences:
  one:
    start: x
    states:
      x: {exits: [{when: a and other.x, to: y}]}
      y: {on: [b], exits: [{when: not a, to: x}]}
  other:
    start: x
    states:
      x: {exits: [{when: one.y, to: y}]}
      y: {exits: [{when: one.x, to: x}]}
"""


def test_sequences_that_look_at_one_another_are_joined_once_with_two_heads() -> None:
    machine = read_machine_text(LOOKING, "two.yaml").machine
    watching = [(a.source, a.target, a.both) for a in arrows_of(machine) if a.watching]
    assert watching == [("sequence other", "sequence one", True)]
    assert "two heads: each at the other" in texts(RENDERER.draw(machine_diagram(machine), Picture.SVG))


def test_the_signal_flow_lists_signals_in_their_boxes() -> None:
    words = texts(RENDERER.draw(machine_diagram(gate()), Picture.SVG))
    for word in ("operator", "surroundings", "sequence gate", "sequence light", "leaf (travel)", "lamp"):
        assert word in words


def test_a_named_condition_stands_by_its_name_and_the_legend_says_what_it_means() -> None:
    document = read_machine_text("""\
machine: m
scan: 20 ms
inputs: {a: {}, b: {}}
outputs: {y: {}}
conditions:
  inner: rising(a)
  begun: {when: inner or b, why: one of two will do}
  held_off: not b
  elsewhere: a and b
sequences:
  s: {start: x, states: {x: {exits: [{when: begun, to: z}]}, z: {on: [y], exits: [{after: 1 s, to: x}]}}}
  t: {start: x, states: {x: {exits: [{when: elsewhere, to: x}]}}}
interlocks: [{hold_off: y, unless: held_off}]
""")
    words = texts(RENDERER.draw(state_diagram(document.machine, "s"), Picture.SVG))
    assert "begun condition: inner or b (one of two will do)" in words
    assert "inner condition: ↑a" in words
    assert "↑x ↓x" in words, "the arrow stands in the legend's own words"
    assert "off unless held_off held" not in words
    assert "held_off condition: not b" in words
    assert "elsewhere" not in words
    flow = texts(RENDERER.draw(machine_diagram(document.machine), Picture.SVG))
    assert "held_off condition: not b" in flow
    assert "begun" not in flow
