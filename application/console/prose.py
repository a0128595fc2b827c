"""Lines of text on a console: wrapped, indented, and free of characters that steer a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from rich.console import Console
from rich.text import Text

from .terminal import printable

WIDEST_PROSE = 100


def say(console: Console, text: str, *, indent: int = 0, hanging: int = 0, style: str = "") -> None:
    """Prose, wrapped; ``hanging`` indents the second and later lines further."""
    pad = " " * indent
    lines = textwrap.wrap(
        printable(text),
        min(console.width, WIDEST_PROSE),
        initial_indent=pad,
        subsequent_indent=pad + " " * hanging,
        break_on_hyphens=False,
    )
    console.print(Text("\n".join(lines), style=style), soft_wrap=True)


def say_unbroken(console: Console, text: str, *, indent: int = 0, style: str = "") -> None:
    """One line left in one piece, so that a place in a file can be clicked and searched."""
    console.print(Text(" " * indent + printable(text), style=style), soft_wrap=True)


def say_lines(console: Console, lines: Iterable[str], *, indent: int = 0) -> None:
    """Lines that are each left in one piece, written at once: of thousands each by itself takes a second."""
    said = "\n".join(" " * indent + printable(line) for line in lines)
    if said:
        console.print(Text(said), soft_wrap=True)


def bullet(console: Console, text: str) -> None:
    """An item of a list."""
    say(console, f"- {text}", indent=2, hanging=2)


def section(console: Console, title: str, style: str = "bold") -> None:
    """A heading with an empty line above."""
    say(console, "")
    say(console, title, style=style)


def stacked(items: Iterable[str]) -> Text:
    """Items one under another, for a cell of a table."""
    return Text("\n".join(items))
