"""The renderer: a whole picture or an error."""

from __future__ import annotations

import dataclasses
import struct
import sys
from pathlib import Path

import pytest

from stillgate.controller.errors import ProgramFault, ToolMissing
from stillgate.diagrams.diagram import Diagram
from stillgate.diagrams.graphs import renderer as module
from stillgate.diagrams.graphs.renderer import Picture, Renderer, find_renderer
from stillgate.diagrams.graphs.state_graph import state_diagram

from ..gate import gate


def test_a_missing_box_is_an_error() -> None:
    diagram = dataclasses.replace(state_diagram(gate(), "gate"), nodes=6)
    with pytest.raises(ProgramFault, match="has 5 nodes where the machine has 6"):
        find_renderer().draw(diagram, Picture.PNG)


def test_a_missing_arrow_is_an_error() -> None:
    diagram = dataclasses.replace(state_diagram(gate(), "gate"), edges=1)
    with pytest.raises(ProgramFault, match="has 7 edges where the machine has 1"):
        find_renderer().draw(diagram, Picture.SVG)


def test_text_that_is_no_graph_is_an_error() -> None:
    diagram = Diagram("bad", "bad", "digraph {", 0, 0)
    with pytest.raises(ProgramFault, match="bad could not be drawn by"):
        find_renderer().draw(diagram, Picture.SVG)


def test_a_png_is_whole_and_has_a_size_to_print() -> None:
    png = find_renderer().draw(state_diagram(gate(), "gate"), Picture.PNG)
    width, height = struct.unpack(">II", png[16:24])
    assert png.endswith(b"IEND\xaeB`\x82")
    assert width > 600
    assert height > 600


def fake(tmp_path: Path, code: str) -> Renderer:
    script = tmp_path / "fake"
    script.write_text(f"#!{sys.executable}\nimport sys\n{code}\n")
    script.chmod(0o755)
    return Renderer(script, "fake 1")


@pytest.mark.skipif(sys.platform == "win32", reason="needs a script with a first line")
@pytest.mark.parametrize(
    ("code", "message"),
    [
        ("sys.exit(3)", "exit status 3"),
        ("sys.stderr.write('Error: lost a node'); print('<?xml ?>')", "lost a node"),
        ("print('')", "could not be drawn"),
    ],
)
def test_a_renderer_that_fails_in_any_way_gives_no_picture(tmp_path: Path, code: str, message: str) -> None:
    with pytest.raises(ProgramFault, match=message):
        fake(tmp_path, code).draw(state_diagram(gate(), "gate"), Picture.SVG)


def test_without_any_renderer_the_message_says_how_to_get_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_candidates", list)
    with pytest.raises(ToolMissing, match="pip install graphviz-pure"):
        find_renderer()
