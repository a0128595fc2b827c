"""The evidence report as one HTML page: what it is made of, and how it becomes text.

The page needs nothing from anywhere: style, script, pictures and charts are inside, and its
content security policy forbids every request. Texts of the machine file are escaped by the
template engine; an undefined name in the template is an error.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from typing import ClassVar

from stillgate.controller.errors import ToolMissing
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.visible_text import visible

from ..charts.chart import Chart
from ..charts.chart_svg import scale_of, svg_of
from ..graphs.sheets import Sheet, sheets_of
from ..matrices.table import Table

BREAK_AFTER = re.compile(r"(\w_|[^\W\d]\.)(?=\w)")
"""Where a long name may go on in the next line; a number stays whole."""

UNIT = re.compile(r"(?<=\d) (?=(?:ms|s|min|h)\b)")
"""Between a number and its unit, where no line may end."""

UPRIGHT, LANDSCAPE = (516, 666), (762, 425)
"""Width and height in points that A4 leaves to a drawing between its heading and its caption."""

LEGIBLE, TOO_SMALL = 0.75, 0.5
"""Scales at which a drawing need not be larger, and below which it is printed over several pages."""

Cell = tuple[int, int]
"""Row and column of a table, from 0."""


@dataclass(frozen=True, slots=True)
class Prose:
    """Paragraphs."""

    kind: ClassVar[str] = "prose"
    paragraphs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list; an item may lead somewhere on the page."""

    kind: ClassVar[str] = "bullets"
    items: tuple[str, ...]
    links: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True)
class TableBlock:
    """A table, with links and verdict words in some of its cells and anchors of some rows."""

    kind: ClassVar[str] = "table"
    table: Table
    links: Mapping[Cell, str] = field(default_factory=dict)
    words: Mapping[Cell, str] = field(default_factory=dict)
    anchors: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Figure:
    """A finished drawing; ``said`` is what it shows, for whoever cannot see it."""

    kind: ClassVar[str] = "figure"
    name: str
    svg: str
    caption: str
    said: str

    @property
    def size(self) -> tuple[float, float]:
        """Width and height in points; nothing if the drawing does not say."""
        found = re.search(r'viewBox="[\d.-]+ [\d.-]+ ([\d.]+) ([\d.]+)"', self.svg)
        return (float(found[1]), float(found[2])) if found is not None else (0.0, 0.0)

    @property
    def shape(self) -> str:
        """``wide``: larger on paper in landscape format; ``tall``: printed over several pages; or ''."""
        upright, landscape = self._scale(UPRIGHT), self._scale(LANDSCAPE)
        if upright >= LEGIBLE:
            return ""
        if landscape > upright:
            return "wide"
        return "tall" if upright < TOO_SMALL else ""

    def _scale(self, paper: tuple[int, int]) -> float:
        return min((room / own for room, own in zip(paper, self.size, strict=True) if own), default=1.0)

    @property
    def sheets(self) -> tuple[Sheet, ...]:
        """What is printed of a tall drawing page by page."""
        width, height = self.size
        return sheets_of(self.svg, height, UPRIGHT[1] * max(1.0, width / UPRIGHT[0]))

    @property
    def graph(self) -> str:
        """Id of the drawing within the page."""
        found = re.search(r'<g id="([^"]*)" class="graph"', self.svg)
        return found[1] if found is not None else ""


@dataclass(frozen=True)
class TimingFigure:
    """A timing chart with its steps beside it as a table."""

    kind: ClassVar[str] = "timing"
    chart: Chart

    @property
    def svg(self) -> str:
        """The drawing, without the heading and the key that stand in the page."""
        return svg_of(self.chart, key=False)

    @property
    def data(self) -> str:
        """What the script needs to read values and to zoom, as JSON."""
        scale = scale_of(self.chart)
        return json.dumps(
            {
                "period": self.chart.period,
                "begins": self.chart.begins,
                "length": self.chart.length,
                "pieces": [[piece.start, piece.end, piece.left, piece.right] for piece in scale.pieces],
                "lanes": [
                    [
                        lane.name + lane.mark,
                        lane.group.value,
                        [[run.start, lane.shown(run.value)] for run in lane.runs],
                    ]
                    for lane in self.chart.lanes
                ],
                "steps": [step.instant for step in self.chart.steps],
            },
            separators=(",", ":"),
        )

    @property
    def steps(self) -> list[tuple[int, str, tuple[str, ...]]]:
        """Number, time and changes of every step."""
        return [
            (step.number, format_duration(self.chart.begins + step.instant * self.chart.period), step.changes)
            for step in self.chart.steps
        ]

    @property
    def is_true_to_scale(self) -> bool:
        """Whether no stretch of the axis is shortened."""
        return scale_of(self.chart).is_true


Block = Prose | Bullets | TableBlock | Figure | TimingFigure


def _shape(blocks: tuple[Block, ...]) -> str:
    """``wide`` if a wide drawing follows the heading, which then belongs on the same paper; or ''."""
    first = next((block for block in blocks if not isinstance(block, Prose)), None)
    return "wide" if isinstance(first, Figure) and first.shape == "wide" else ""


@dataclass(frozen=True)
class Part:
    """A heading of the third rank with what stands under it."""

    name: str
    title: str
    blocks: tuple[Block, ...]

    @property
    def shape(self) -> str:
        """Paper for the heading: ``wide`` or ''."""
        return _shape(self.blocks)


@dataclass(frozen=True)
class Section:
    """A heading of the second rank: blocks, then parts."""

    name: str
    title: str
    blocks: tuple[Block, ...] = ()
    parts: tuple[Part, ...] = ()

    @property
    def shape(self) -> str:
        """Paper for the heading: ``wide`` or ''."""
        return _shape(self.blocks)


@dataclass(frozen=True)
class Page:
    """The whole report."""

    title: str
    lead: str
    verdict: str  # a verdict word, as the style sheet knows it
    sentence: str
    identity: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    sections: tuple[Section, ...]
    footer: str


def require_templates() -> None:
    """Asks for the template engine before a report is worth rendering.

    Raises:
        ToolMissing: if it is not installed.
    """
    try:
        import jinja2  # noqa: F401
    except ModuleNotFoundError:
        raise ToolMissing(
            "the report needs a template engine: run  pip install 'stillgate[report]'"
        ) from None


def render_page(page: Page) -> str:
    """The page as HTML.

    Raises:
        ToolMissing: if the template engine is not installed.
    """
    require_templates()
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup, escape

    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, finalize=_shown
    )
    environment.filters["name"] = lambda text: Markup(
        BREAK_AFTER.sub(r"\1<wbr>", UNIT.sub("\N{NO-BREAK SPACE}", str(escape(_shown(text)))))
    )
    folder = files("stillgate.diagrams.pages") / "templates"
    template = environment.from_string((folder / "report.html").read_text(encoding="utf-8"))
    style = (folder / "report.css").read_text(encoding="utf-8") + _footer_style(page.footer)
    script = (folder / "report.js").read_text(encoding="utf-8")
    return template.render(
        page=page,
        style=Markup(style),
        script=Markup(script),
        policy={"style": Markup(source_of(style)), "script": Markup(source_of(script))},
        drawing=Markup,
    )


def source_of(text: str) -> str:
    """What a content security policy calls exactly this style or script, and no other.

    Source: Content Security Policy Level 3 (W3C), 2.3.1, hash-source.
    """
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _footer_style(footer: str) -> str:
    """The foot of each printed page, as a text of CSS that ends neither itself nor its element."""
    plain = re.sub(r"[\\\"<>&\n]", "", visible(footer))
    return f'@media print {{ @page {{ @bottom-left {{ content: "{plain}"; font: 8pt sans-serif; }} }} }}\n'


KEPT = "\n\N{NO-BREAK SPACE}"


def _shown(value: object) -> object:
    """A text, in which nothing may be hidden; markup is ours."""
    from markupsafe import Markup

    return visible(value, KEPT) if isinstance(value, str) and not isinstance(value, Markup) else value


def inline_svg(drawing: bytes, name: str, said: str) -> str:
    """A drawing of the renderer made fit to stand in a page: no prologue, ids of its own, a name."""
    text = drawing.decode()
    text = text[text.index("<svg") :]
    text = re.sub(r'\bid="([^"]*)"', lambda found: f'id="{name}-{found[1]}"', text)
    label = said.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;")
    return text.replace("<svg", f'<svg role="img" aria-label="{label}"', 1).strip()


def anchors(page: Page) -> Iterator[str]:
    """Every id that links may lead to, in order."""
    for section in page.sections:
        yield section.name
        for block in section.blocks:
            yield from _anchors_of(block)
        for part in section.parts:
            yield part.name
            for block in part.blocks:
                yield from _anchors_of(block)


def _anchors_of(block: Block) -> Iterator[str]:
    if isinstance(block, TableBlock):
        yield from block.anchors.values()
