"""A diagram before it is drawn: DOT text, and what must be found in any drawing of it.

Small helpers for the labels of all diagrams stand here as well, so that every text of a
user's file is escaped in one place.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterable
from dataclasses import dataclass

from stillgate.controller.expressions.expression import Expression
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.visible_text import one_line

from .wording import condition_meanings, condition_words

FONT = "Arial"
INK = "black"
GREY = "#555555"
LIGHT = "#777777"
PALE = "#eeeeee"
"""Black on white with greys: prints on any printer and needs no colour to be read."""

GRAPH_ATTRIBUTES = {
    "newrank": "true",  # without it, graphs with frames can fail in the layout
    "fontname": FONT,
    "fontsize": "12",
    "nodesep": "0.45",
    "ranksep": "0.45",
    "bgcolor": "white",
    "pad": "0.2",
}
NODE_ATTRIBUTES = {"shape": "box", "fontname": FONT, "fontsize": "12", "color": INK, "margin": "0.12,0.07"}
EDGE_ATTRIBUTES = {"fontname": FONT, "fontsize": "11", "color": INK, "arrowsize": "0.8"}


TAG = re.compile("<[^>]*>")

WIDEST_MEANING = 80
"""Characters of a line of prose, as in a legend."""


@dataclass(frozen=True, slots=True)
class Diagram:
    """DOT text of one picture.

    ``nodes`` and ``edges`` are counted from the machine, never from the text, so that a
    drawing from which something is missing is noticed. ``marks`` are those that the picture uses,
    each with its meaning, as plain text, for a legend beside the picture.
    """

    name: str  # becomes the file's name
    title: str
    source: str
    nodes: int
    edges: int
    marks: tuple[tuple[str, str], ...] = ()


def plain(text: str) -> str:
    """A text of a user's file on one line, in which nothing is hidden."""
    return one_line(text).strip()


def escaped(text: str) -> str:
    """A text of a user's file inside a DOT label that holds markup."""
    return html.escape(plain(text), quote=True)


def stacked(lines: Iterable[str], align: str = "left") -> str:
    """Lines of markup one under another."""
    return "".join(f'{line}<br align="{align}"/>' for line in lines)


def edge_label(lines: Iterable[str]) -> str:
    """Label beside an edge: lines flush left, a little away from the edge; leading spaces stay."""
    return f"<{stacked(_indented(f'  {line}') for line in lines)}>"


def _indented(line: str) -> str:
    text = line.lstrip(" ")
    return "&#160;" * (len(line) - len(text)) + escaped(text)


def legend(rows: Iterable[tuple[str, str]], columns: int = 1) -> str:
    """Markup that explains the marks of a picture: (mark as markup, meaning as plain text).

    Args:
        columns: how many stand side by side, filled one after another; a wide picture has room for several.
    """
    items = list(rows)
    if not items:
        return ""
    height = -(-len(items) // columns)
    widest = WIDEST_MEANING if columns == 1 else WIDEST_MEANING * 4 // 5
    cells = "".join(
        f"<tr>{''.join(_explained(item, widest) for item in items[row::height])}</tr>"
        for row in range(height)
    )
    return f'<table border="0" cellborder="0" cellspacing="0" cellpadding="3">{cells}</table>'


def legend_label(rows: Iterable[tuple[str, str]], sequences: int = 1) -> str:
    """The label that holds the legend of a drawing, in grey; wider for a drawing of several sequences."""
    columns = max(1, min(3, sequences // 2))
    return f'<<font color="{GREY}" point-size="10">{legend(rows, columns)}</font>>'


def plain_marks(rows: Iterable[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """Rows of a legend without their markup."""
    return tuple((plain(html.unescape(TAG.sub("", mark))), text) for mark, text in rows)


def _explained(row: tuple[str, str], widest: int) -> str:
    mark, text = row
    meaning = stacked(escaped(part) for part in folded(text, widest))
    return f'<td align="left" valign="top">{mark}</td><td align="left" valign="top">{meaning}</td>'


def hazard_rows(machine: Machine, outputs: list[str]) -> list[tuple[str, str]]:
    """Rows of a legend that say which hazard the outputs belong to, one row a hazard."""
    rows: list[tuple[str, str]] = []
    for hazard, words in machine.hazards.items():
        names = [name for name in dict.fromkeys(outputs) if machine.outputs[name].hazard == hazard]
        if names:
            rows.append(("!", f"{', '.join(names)}: hazard {hazard}: {plain(words)}"))
    return rows


def interlock_rows(machine: Machine, outputs: list[str]) -> list[tuple[str, str]]:
    """Rows of a legend that say what holds off each of the outputs, one row a condition."""
    held: dict[tuple[str, str], dict[str, None]] = {}
    for item in machine.interlocks:
        if item.hold_off in outputs:
            words = condition_words(item.unless.written)
            held.setdefault((words, plain(item.why)), {})[item.hold_off] = None
    return [
        ("*", f"{', '.join(names)}: interlock, off unless {words}{f' ({why})' if why else ''}")
        for (words, why), names in held.items()
    ]


def condition_rows(
    machine: Machine, trees: Iterable[Expression], outputs: Iterable[str]
) -> list[tuple[str, str]]:
    """Rows of a legend that say what named conditions stand for, those of interlocks on outputs too."""
    locks = [item.unless.written for item in machine.interlocks if item.hold_off in set(outputs)]
    meanings = condition_meanings(machine, [*trees, *locks])
    return [(escaped(name), f"condition: {words}") for name, words in meanings.items()]


def folded(text: str, widest: int = WIDEST_MEANING) -> list[str]:
    """Prose in lines of at most ``widest`` characters."""
    lines: list[str] = []
    for word in text.split():
        if lines and len(lines[-1]) + 1 + len(word) <= widest:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def small(text: str) -> str:
    """Markup of a smaller, grey text."""
    return f'<font point-size="10" color="{GREY}">{escaped(text)}</font>'


def bold(text: str) -> str:
    """Markup of a bold text."""
    return f"<b>{escaped(text)}</b>"
