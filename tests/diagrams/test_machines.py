"""Every machine of the project can be drawn, and nothing of it is missing from the drawing."""

from __future__ import annotations

from pathlib import Path

import pytest

from stillgate.controller.reading.reader import read_machine
from stillgate.diagrams.graphs.overview import whole_machine_diagram
from stillgate.diagrams.graphs.renderer import Picture, find_renderer
from stillgate.diagrams.graphs.signal_flow import machine_diagram
from stillgate.diagrams.graphs.state_graph import state_diagram

from .graphs.test_state_graph import texts

MACHINES = Path(__file__).parent.parent.parent / "machines"


@pytest.mark.parametrize("path", sorted(MACHINES.glob("*.yaml")), ids=lambda path: path.stem)
def test_every_state_and_part_of_a_machine_is_drawn(path: Path) -> None:
    machine = read_machine(path).machine
    renderer = find_renderer()
    flow = texts(renderer.draw(machine_diagram(machine), Picture.SVG))
    whole = texts(renderer.draw(whole_machine_diagram(machine), Picture.SVG))
    for name, sequence in machine.sequences.items():
        words = texts(renderer.draw(state_diagram(machine, name), Picture.SVG))
        assert f"sequence {name}" in flow
        for state, model in sequence.states.items():
            assert state in words
            assert state in flow
            assert state in whole
            assert all(output in words for output in model.on)
    assert all(part in flow for part in machine.parts)


def test_the_picture_of_the_front_page_shows_the_machine_as_it_is() -> None:
    """Drawn anew with ``stillgate draw machines/lavender_harvester.yaml --output docs/pictures``."""
    machine = read_machine(MACHINES / "lavender_harvester.yaml").machine
    kept = MACHINES.parent / "docs" / "pictures" / "lavender_harvester.harvest.svg"
    now = find_renderer().draw(state_diagram(machine, "harvest"), Picture.SVG)
    assert texts(kept.read_bytes()) == texts(now)
