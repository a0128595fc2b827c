"""Draws a timing chart as SVG: black, white and greys, the same bytes every time.

Levels are drawn as lines, high while on, with grey under them; states and parts as boxes with
their names. A fault is a black bar with its name beside it, and a triangle and a broken line mark the instant
in which it begins. A dotted line through all lanes marks a step, and the key below says what
happened in it. A hatched stretch is a requirement's window; a thick line ends it where the
requirement broke.
"""

from __future__ import annotations

import html
from collections.abc import Iterator

from stillgate.controller.expressions.durations import format_duration

from ..diagram import GREY, INK, PALE, folded, plain
from .chart import NO_FAULT, NOTHING, ON, Chart, ChartRun, Group, Lane
from .time_scale import TimeScale, time_scale_of

GUTTER = 168.0
"""Room for the names of lanes."""

ROOM = 760.0
"""Length of the time axis, unless steps need more."""

LANE = 22.0
HEADING = 20.0
LINE = 15.0
TOP = 46.0
WIDE, WIDER = 6.1, 7.6
"""Width of a character of the small print and of the heading, a little more than they take."""

BOLD = 7.2
"""The same of the name of a fault."""

MOST_KEYED = 60
"""Steps up to which a chart has numbers and a key."""

PART = "draw a part of the time, as with stillgate run --chart-part '2..4 s'"

STYLE = 'font-family="Arial, Helvetica, sans-serif" font-size="11"'


def svg_of(chart: Chart, *, key: bool = True) -> str:
    """The chart as a whole SVG document, with its heading and key unless they stand elsewhere."""
    return _Drawing(chart, key).document()


def scale_of(chart: Chart) -> TimeScale:
    """The time axis that the chart is drawn with."""
    steps = [step.instant for step in chart.steps] if _is_keyed(chart) else []
    return time_scale_of(chart.length, steps, ROOM)


def _is_keyed(chart: Chart) -> bool:
    return len(chart.steps) <= MOST_KEYED


class _Drawing:
    def __init__(self, chart: Chart, key: bool) -> None:
        self.chart = chart
        self.key = key
        self.scale = scale_of(chart)
        self.width = GUTTER + self.scale.width + 12
        self.labels: list[str] = []  # names in the plot, on white ground: nothing is drawn over them
        self.rows: list[tuple[float, Lane]] = []
        self.headings: list[tuple[float, Group]] = []
        self.heading = folded(plain(chart.title), int(self.width / WIDER)) if key else []
        self.top = TOP + HEADING * (len(self.heading) - 1)
        y = self.top
        group: Group | None = None
        for lane in chart.lanes:
            if lane.group is not group:
                group = lane.group
                self.headings.append((y, group))
                y += HEADING
            self.rows.append((y, lane))
            y += LANE
        self.bottom = y + 4

    def document(self) -> str:
        below = list(self._below()) if self.key else []
        height = self.bottom + 34 + LINE * len(below) + 8
        name = html.escape(self.chart.name, quote=True)
        body = [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width:g} {height:g}"'
            f' width="{self.width:g}" height="{height:g}" {STYLE} role="img"'
            f' aria-labelledby="{name}-title">',
            f'<title id="{name}-title">{_text(self.chart.title)}</title>',
            f'<defs><pattern id="{name}-hatch" width="7" height="7" patternUnits="userSpaceOnUse"'
            f' patternTransform="rotate(45)"><path d="M0 0V7" stroke="#999999" stroke-width="2"/></pattern>',
            f'<clipPath id="{name}-frame"><rect x="-10" y="0" width="{self.scale.width + 16:g}"'
            f' height="{self.bottom + 34:g}"/></clipPath></defs>',
            f'<rect width="{self.width:g}" height="{height:g}" fill="white"/>',
            *self._names(),
            f'<g transform="translate({GUTTER:g} 0)"><g clip-path="url(#{name}-frame)"><g class="plot">',
            *self._windows(name),
            *self._lanes(),
            *self._breaks(),
            *self._guides(),
            *self.labels,
            *self._axis(),
            "</g></g></g>",
            *(
                f'<text class="key" x="{8 + 22 * indent}" y="{self.bottom + 48 + LINE * row:g}"{style}>'
                f"{_text(line)}</text>"
                for row, (line, indent, style) in enumerate(below)
            ),
            "</svg>",
        ]
        return "\n".join(body) + "\n"

    # -- left of the axis ------------------------------------------------------------------

    def _names(self) -> Iterator[str]:
        for row, line in enumerate(self.heading):
            y = 16 + row * HEADING
            yield f'<text x="8" y="{y:g}" font-weight="bold" font-size="13">{_text(line)}</text>'
        axis = "time" if self.scale.is_true else "time, not to scale"
        yield f'<text x="8" y="{self.bottom + 16:g}" font-weight="bold" font-size="10">{axis}</text>'
        for y, group in self.headings:
            yield f'<text x="8" y="{y + 14:g}" fill="{GREY}" font-size="10">{group.value}</text>'
        for y, lane in self.rows:
            words = _fitted(lane.name, GUTTER - 22 - len(lane.mark) * WIDE) + lane.mark
            name = lane.name + lane.mark
            yield f'<text x="16" y="{y + 15:g}">{_text(words)}<title>{_text(name)}</title></text>'

    # -- in the plot -----------------------------------------------------------------------

    def _windows(self, name: str) -> Iterator[str]:
        for window in self.chart.windows:
            left, right = self.scale.at(window.start), self.scale.at(window.end + 1)
            yield (
                f'<rect class="window" x="{left:g}" y="{self.top - 2:g}" width="{right - left:g}"'
                f' height="{self.bottom - self.top:g}" fill="url(#{name}-hatch)" fill-opacity="0.55">'
                f"<title>{_text(window.text)}</title></rect>"
            )

    def _breaks(self) -> Iterator[str]:
        for window in self.chart.windows:
            if window.broken:
                x = self.scale.at(window.end)
                yield _line(x, self.top - 8, x, self.bottom, 'stroke-width="3"')

    def _lanes(self) -> Iterator[str]:
        for y, lane in self.rows:
            yield _line(0, y + LANE - 2.5, self.scale.width, y + LANE - 2.5, f'stroke="{PALE}"')
            if lane.group is Group.FAULT:
                yield from self._fault(y, lane)
            else:
                yield from self._level(y, lane) if lane.is_level else self._words(y, lane)

    def _level(self, y: float, lane: Lane) -> Iterator[str]:
        high, low = y + 5, y + 18
        points: list[str] = []
        for run in lane.runs:
            level = high if run.value == ON else low
            left, right = self.scale.at(run.start), self.scale.at(run.end)
            if run.value == ON:
                yield (
                    f'<rect x="{left:g}" y="{high:g}" width="{right - left:g}" height="{low - high:g}"'
                    ' fill="#d4d4d4"/>'
                )
            points += [f"{left:g} {level:g}", f"{right:g} {level:g}"]
        yield (
            f'<path d="M{" L".join(points)}" fill="none" stroke="{INK}" stroke-width="1.5"'
            ' vector-effect="non-scaling-stroke"/>'
        )

    def _fault(self, y: float, lane: Lane) -> Iterator[str]:
        """A bar as long as the fault lasts; its name always, beside the bar where it does not fit in."""
        for run in lane.runs:
            if run.value == NO_FAULT:
                continue
            left, right = self.scale.at(run.start), self.scale.at(run.end)
            wide = len(run.value) * BOLD + 6
            yield (
                f'<rect x="{left:g}" y="{y + 5:g}" width="{right - left:g}" height="12" fill="{INK}">'
                f"<title>{_text(run.value)}</title></rect>"
            )
            yield _line(left, y, left, self.bottom, 'stroke-dasharray="7 3" stroke-width="1.5"')
            before = left >= wide + 8
            x, anchor = (left - 8, "end") if before else (left + 8, "start")
            ground = x - wide + 3 if before else x - 3
            self.labels.append(
                f'<g class="keep" transform="translate({left:g} {y + 15:g})"><path d="M-6 -13H6L0 -4Z"'
                f' fill="{INK}" stroke="white"/><rect x="{ground - left:g}" y="-11" width="{wide:g}"'
                f' height="14" fill="white"/>'
                f'<text x="{x - left:g}" text-anchor="{anchor}" font-weight="bold">'
                f"{_text(run.value)}</text></g>"
            )

    def _words(self, y: float, lane: Lane) -> Iterator[str]:
        for run in lane.runs:
            if run.value == NOTHING:
                continue
            left, right = self.scale.at(run.start), self.scale.at(run.end)
            yield (
                f'<rect x="{left:g}" y="{y + 3:g}" width="{right - left:g}" height="16" fill="white"'
                f' stroke="{INK}" vector-effect="non-scaling-stroke"><title>{_text(run.value)}</title></rect>'
            )
            self.labels.append(self._label(run, left, right, y + 15))

    def _label(self, run: ChartRun, left: float, right: float, y: float) -> str:
        """A value in its box. What does not fit is left out: the key and the readings say it."""
        room = right - left - 2
        size = 11 if len(run.value) * WIDE <= room else 9
        words = run.value if len(run.value) * WIDE * size / 11 <= room else ""
        return (
            f'<g class="keep" transform="translate({(left + right) / 2:g} {y:g})"'
            f' data-words="{_text(run.value)}" data-room="{right - left:g}">'
            f'<text text-anchor="middle" font-size="{size}" stroke="white" stroke-width="3"'
            f' stroke-linejoin="round" paint-order="stroke">{_text(words)}</text></g>'
        )

    def _guides(self) -> Iterator[str]:
        if not _is_keyed(self.chart):
            return
        for step in self.chart.steps:
            x = self.scale.at(step.instant)
            yield _line(x, self.top - 6, x, self.bottom, 'stroke-dasharray="1.5 2.5"')
            yield (
                f'<g class="keep" transform="translate({x:g} {self.top - 12:g})"><circle r="8.5" fill="white"'
                f' stroke="{INK}"/><text text-anchor="middle" y="3.5" font-size="10">{step.number}</text></g>'
            )

    def _axis(self) -> Iterator[str]:
        y = self.bottom
        yield _line(0, y, self.scale.width, y)
        for piece in self.scale.pieces:
            if piece.broken:
                x = (piece.left + piece.right) / 2
                yield (
                    f'<g class="keep" transform="translate({x:g} {y:g})"><rect x="-5" y="-3" width="10"'
                    f' height="6" fill="white"/><path d="M-7 5L-2 -5M2 5L7 -5" stroke="{INK}" fill="none"/>'
                    "</g>"
                )
        taken = -100.0
        for instant in self._ticks():
            x = self.scale.at(instant)
            words = format_duration(self.chart.begins + instant * self.chart.period)
            yield _line(x, y, x, y + 4)
            half = len(words) * WIDE / 2 + 3
            if x - half >= taken:
                anchor = "start" if x < half else "end" if x > self.scale.width - half else "middle"
                yield (
                    f'<g class="keep" transform="translate({x:g} {y + 16:g})">'
                    f'<text text-anchor="{anchor}" font-size="10">{words}</text></g>'
                )
                taken = x + (2 * half if anchor == "start" else half)

    def _ticks(self) -> list[int]:
        """Instants that get a mark on the axis: steps if there are numbers, else even times."""
        if _is_keyed(self.chart):
            return [0, *(step.instant for step in self.chart.steps if step.instant)]
        every = max(1, round(self.chart.length / 10))
        return list(range(0, self.chart.length, every))

    # -- below -----------------------------------------------------------------------------

    def _below(self) -> Iterator[tuple[str, int, str]]:
        """Lines under the plot with their indentation and style."""
        wide = int((self.width - 40) / WIDE)
        for said in (*self.chart.expected, *self.chart.marks):
            for row, line in enumerate(folded(plain(said), wide)):
                yield line, int(row > 0), ""
        for window in self.chart.windows:
            end = ", broken at the thick line" if window.broken else ""
            for line in folded(f"hatched: {window.text}{end}", wide):
                yield line, 0, ' font-weight="bold"'
        if not self.scale.is_true:
            yield (
                "not to scale: // on the axis is a stretch without a change, drawn shorter than it is",
                0,
                "",
            )
        if _is_keyed(self.chart):
            for step in self.chart.steps:
                clock = format_duration(self.chart.begins + step.instant * self.chart.period)
                for row, change in enumerate(step.changes):
                    for part, line in enumerate(folded(plain(change), wide - 18)):
                        head = f"step {step.number}, {clock}: " if row == 0 and part == 0 else ""
                        yield f"{head}{line}", int(not head) + int(part > 0), ""
        elif self.chart.steps:
            yield f"{len(self.chart.steps)} changes: too many for a key; {PART}", 0, ""
        if self.chart.steady:
            for row, line in enumerate(folded(f"unchanged: {', '.join(self.chart.steady)}", wide)):
                yield line, int(row > 0), f' fill="{GREY}"'


def _line(x1: float, y1: float, x2: float, y2: float, more: str = "") -> str:
    stroke = "" if "stroke=" in more else f' stroke="{INK}"'
    return (
        f'<path d="M{x1:g} {y1:g}L{x2:g} {y2:g}"{stroke} fill="none" vector-effect="non-scaling-stroke"'
        f"{' ' + more if more else ''}/>"
    )


def _text(words: str) -> str:
    return html.escape(plain(words), quote=True)


def _fitted(words: str, room: float) -> str:
    """A name that fits its place; the whole of it is in its tooltip."""
    most = int(room / WIDE)
    return words if len(words) <= most else f"{words[: most - 1]}…"
