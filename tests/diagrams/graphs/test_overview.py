"""The picture of all sequences: the whole machine on one page, with a path through all of it."""

from __future__ import annotations

import re

from stillgate.diagrams.graphs.overlay import Overlay
from stillgate.diagrams.graphs.overview import WHOLE_MACHINE, whole_machine_diagram
from stillgate.diagrams.graphs.renderer import Picture, find_renderer

from ..gate import gate, hostile
from .test_state_graph import texts

RENDERER = find_renderer()


def test_every_state_of_every_sequence_is_drawn_with_its_outputs() -> None:
    machine = gate()
    diagram = whole_machine_diagram(machine)
    words = texts(RENDERER.draw(diagram, Picture.SVG))
    for name, sequence in machine.sequences.items():
        assert name in words
        for state, model in sequence.states.items():
            assert state in words
            assert all(output in words for output in model.on)
    assert diagram.nodes == 4 + 1 + 2  # gate, its overrides, light
    assert diagram.edges == 7 + 2
    assert diagram.name == f"yard_gate.{WHOLE_MACHINE}"


def test_exits_bear_their_numbers_and_no_conditions() -> None:
    """Shutting has three ways out: exits 1 and 3 lead to resting on one arrow, 2 to opening."""
    source = whole_machine_diagram(gate()).source
    labels = re.findall(r" -> .*?label=<(.*?)<br", source.replace("&#160;", ""))
    assert "1 3" in labels
    assert "2" in labels
    assert "open_button" not in source
    assert "in state" not in source


def test_a_path_is_numbered_through_all_sequences() -> None:
    paths = {
        "gate": Overlay(path={("resting", 1): (1,)}, end="opening", explanation="the way to the break of r"),
        "light": Overlay(path={("dark", 1): (2,)}, end="lit", explanation="the way to the break of r"),
    }
    words = texts(RENDERER.draw(whole_machine_diagram(gate(), paths.__getitem__), Picture.SVG))
    assert "[step 1]" in words
    assert "[step 2]" in words
    assert words.count("here it ends") == 2
    assert words.count("thick: the way to the break of r") == 1  # explained once


def test_a_sequence_may_be_called_as_the_frame_around_all_of_them() -> None:
    source = whole_machine_diagram(hostile()).source
    names = re.findall(r"subgraph \"?(cluster[^\s\"{]+)", source)
    assert len(names) == len(set(names)) == 2
    RENDERER.draw(whole_machine_diagram(hostile()), Picture.SVG)
