"""A drawing that is too tall for a page, cut into sheets where neither a box nor a word is cut.

Whatever stands in the drawing of the renderer is read off it: outlines of boxes, arrowheads and
lines of text. A sheet ends at the lowest place on it that none of them crosses; arrows go on
from one sheet to the next.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

ELEMENT = re.compile(
    r'<g id="[^"]*" class="(?P<kind>\w+)"'
    r'|<(?P<shape>polygon|path) [^>]*?(?:points|d)="(?P<places>[^"]*)"'
    r'|<text [^>]*?\by="(?P<base>[-\d.]+)"[^>]*?font-size="(?P<size>[\d.]+)"'
)
PLACE = re.compile(r"[-\d.]+,(?P<y>[-\d.]+)")
SHIFT = re.compile(r"translate\([-\d.]+ (?P<y>[-\d.]+)\)")
DESCENT = 0.3
"""How far letters reach below their line, in parts of their size."""

LINE = 2.0
"""Room that the lines of a box take around it."""

FRAME = 100.0
"""An outline that is no box is one of the frames around boxes, which may be cut, if it is so high."""

LEAST = 0.5
"""Share of a sheet that is used at least; where it cannot be, the cut goes through something."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """A stretch of a drawing, in its own units."""

    top: float
    height: float


def sheets_of(svg: str, height: float, sheet: float) -> tuple[Sheet, ...]:
    """The stretches, from top to bottom without gaps.

    Args:
        svg: a drawing of the renderer.
        height: of the whole drawing.
        sheet: greatest height of a sheet, in units of the drawing.
    """
    taken = _joined(sorted(_extents(svg)))
    cuts = [0.0]
    while height - cuts[-1] > sheet:
        cuts.append(_cut(taken, cuts[-1], cuts[-1] + sheet))
    return tuple(Sheet(top, round(bottom - top, 2)) for top, bottom in pairwise([*cuts, height]))


def _cut(taken: list[tuple[float, float]], top: float, most: float) -> float:
    """The lowest place up to ``most`` that nothing crosses."""
    crossed = next(((start, end) for start, end in taken if start < most < end), None)
    place = most if crossed is None else crossed[0]
    return round(place if place - top >= LEAST * (most - top) else most, 2)


def _extents(svg: str) -> Iterator[tuple[float, float]]:
    """From where to where each box, arrowhead and line of text reaches, from the top of the drawing."""
    shift = SHIFT.search(svg)
    down = float(shift["y"]) if shift is not None else 0.0
    kind = ""
    for found in ELEMENT.finditer(svg):
        if found["kind"]:
            kind = found["kind"]
        elif found["base"]:
            base, size = float(found["base"]), float(found["size"])
            yield base - size + down, base + DESCENT * size + down
        elif kind == "node" or found["shape"] == "polygon":
            places = [float(place["y"]) + down for place in PLACE.finditer(found["places"])]
            if kind == "node" or max(places) - min(places) < FRAME:
                yield min(places) - LINE, max(places) + LINE


def _joined(extents: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Extents that overlap, as one."""
    found: list[tuple[float, float]] = []
    for start, end in extents:
        if found and start < found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((start, end))
    return found
