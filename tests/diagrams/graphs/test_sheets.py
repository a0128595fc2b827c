"""A tall drawing on several sheets: nothing is lost, no box and no word is cut."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest

from stillgate.controller.reading.reader import read_machine_text
from stillgate.diagrams.graphs.renderer import Picture, find_renderer
from stillgate.diagrams.graphs.sheets import Sheet, sheets_of
from stillgate.diagrams.graphs.state_graph import state_diagram
from stillgate.diagrams.pages.report_page import UPRIGHT, Figure

COUNT = 30
STATES = "\n".join(
    f"      step_{number:02}: {{on: [motor], exits: [{{when: go, to: step_{(number + 1) % COUNT:02}}}]}}"
    for number in range(COUNT)
)
LONG = f"""\
machine: long
scan: 20 ms
inputs: {{go: {{from: operator}}}}
outputs: {{motor: {{}}}}
sequences:
  line:
    start: step_00
    states:
{STATES}
"""


@pytest.fixture(scope="module")
def figure() -> Figure:
    diagram = state_diagram(read_machine_text(LONG, "long.yaml").machine, "line")
    return Figure("line", find_renderer().draw(diagram, Picture.SVG).decode(), "caption", "said")


def test_thirty_states_are_printed_on_sheets_that_cover_the_drawing(figure: Figure) -> None:
    assert figure.shape == "tall"
    found = figure.sheets
    assert len(found) > 1
    assert found[0].top == 0
    assert all(one.top + one.height == pytest.approx(other.top) for one, other in pairwise(found))
    assert found[-1].top + found[-1].height == pytest.approx(figure.size[1])
    most = UPRIGHT[1] * max(1, figure.size[0] / UPRIGHT[0])
    assert all(most / 2 <= sheet.height <= most for sheet in found[:-1])


def test_no_box_and_no_name_is_cut(figure: Figure) -> None:
    shift = float(re.search(r"translate\([-\d.]+ ([-\d.]+)\)", figure.svg)[1])  # type: ignore[index]
    boxes = re.findall(r'class="node">.*?points="([^"]*)".*?</g>', figure.svg, re.DOTALL)
    assert len(boxes) == COUNT
    cuts = [sheet.top for sheet in figure.sheets[1:]]
    for box in boxes:
        heights = [float(place.split(",")[1]) + shift for place in box.split()]
        assert not any(min(heights) <= cut <= max(heights) for cut in cuts)
    for base in re.findall(r'<text [^>]*?\by="([-\d.]+)"', figure.svg):
        assert not any(float(base) + shift - 8 < cut < float(base) + shift for cut in cuts)


def test_what_fits_is_one_sheet_and_what_cannot_be_spared_is_cut() -> None:
    box = '<g id="n" class="node"><polygon points="0,10 5,10 5,990 0,990"/></g>'
    assert sheets_of(box, 1000, 1000) == (Sheet(0, 1000),)
    assert sheets_of(box, 1000, 400) == (Sheet(0, 400), Sheet(400, 400), Sheet(800, 200))
