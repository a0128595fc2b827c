"""Lines of text on a console: wrapped, indented, and free of characters that steer a terminal."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable

from rich.console import Console
from rich.text import Text

from .terminal import printable

WIDEST_PROSE = 100

JOINED = "\N{WORD JOINER}"
"""Stands for a space that no line breaks at, until the lines are made."""

WITH_UNIT = re.compile(r"(?<=\d) (?=(?:ms|s|min|h|%)\b)")


def wrapped(text: str, width: int, *, first: str = "", later: str = "") -> list[str]:
    """Lines of prose in which a number and its unit stay together.

    Args:
        first: what stands before the first line.
        later: what stands before each of the others.
    """
    lines = textwrap.wrap(
        WITH_UNIT.sub(JOINED, printable(text)),
        width,
        initial_indent=first,
        subsequent_indent=later,
        break_on_hyphens=False,
        break_long_words=False,
    )
    return [line.replace(JOINED, " ") for line in lines]


def say(console: Console, text: str, *, indent: int = 0, hanging: int = 0, style: str = "") -> None:
    """Prose, wrapped; ``hanging`` indents the second and later lines further."""
    pad = " " * indent
    lines = wrapped(text, min(console.width, WIDEST_PROSE), first=pad, later=pad + " " * hanging)
    console.print(Text("\n".join(lines), style=style), soft_wrap=True)


def say_unbroken(console: Console, text: str, *, indent: int = 0, style: str = "") -> None:
    """One line left in one piece, so that a place in a file can be clicked and searched."""
    console.print(Text(" " * indent + printable(text), style=style), soft_wrap=True)


def say_lines(console: Console, lines: Iterable[str], *, indent: int = 0) -> None:
    """Lines that are each left in one piece, written at once: of thousands each by itself takes a second."""
    said = "\n".join(" " * indent + printable(line) for line in lines)
    if said:
        console.print(Text(said), soft_wrap=True)


def bullet(console: Console, text: str, *, indent: int = 2) -> None:
    """An item of a list."""
    say(console, f"- {text}", indent=indent, hanging=2)


def section(console: Console, title: str, style: str = "bold") -> None:
    """A heading with an empty line above."""
    say(console, "")
    say(console, title, style=style)


def stacked(items: Iterable[str]) -> Text:
    """Items one under another, for a cell of a table."""
    return Text("\n".join(items))
