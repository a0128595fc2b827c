"""What text and JSON of the analyses have in common: tables, assumptions, cautions, fields."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table

from stillgate.interlocks.results.verdict import Story

from ...console.prose import bullet, say, section
from ...console.words import CAUTION
from ..check.check_json import story_document
from ..check.story_text import write_story
from ..exchange.schema_words import (
    CHECK,
    STORY,
    many,
    number,
    perhaps,
    text,
)


def analysis_document(form: str, value: Any, file: str) -> dict[str, Any]:
    """The JSON document of a result of an analysis, its form and caution included; times are in ms."""
    return {"format": form, "file": file, **plain_data(value), "caution": CAUTION}


def plain_data(value: Any) -> Any:
    """A value as JSON has it: by its fields, enumerations by their words, shares to four places."""
    match value:
        case Story():
            return story_document(value)
        case Enum():
            return value.value
        case float():
            return round(value, 4)
        case tuple() if value and all(isinstance(item, tuple) and len(item) == 2 for item in value):
            return [{"fault": name, "why": why} for name, why in value]
        case tuple():
            return [plain_data(item) for item in value]
        case _ if is_dataclass(value):
            return {item.name: plain_data(getattr(value, item.name)) for item in fields(value)}
        case _:
            return value


def plain_table(*titles: str) -> Table:
    """An empty table without frames, with these titles."""
    made = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1))
    for title in titles:
        made.add_column(title, overflow="fold")
    return made


def tell_story(console: Console, title: str, story: Story) -> None:
    """A story under a title of its own."""
    section(console, title)
    write_story(console, story)


def write_tick_caution(console: Console, caution: str) -> None:
    """What a tick longer than the scan is worth, where there is something to say."""
    if caution:
        say(console, caution)


def write_assumptions(console: Console, assumptions: Iterable[str]) -> None:
    """Definitions and assumptions behind a result."""
    section(console, "Definitions and assumptions")
    for item in assumptions:
        bullet(console, item)


def write_caution(console: Console) -> None:
    """What a result is not: the last lines of every analysis."""
    say(console, "")
    say(console, CAUTION)


# -- fields of schemas ---------------------------------------------------------------------------------

EXPLORED = CHECK["properties"]["exploration"]["items"]
FILE = text("Name of the machine file as given.")
MACHINE = text("The machine's name.")
ASSUMPTIONS = many("Definitions and assumptions behind every row.", text("One of them."))
CAUTION_TEXT = text("What this result is not.")
SECONDS = number("Time it took, in seconds.")
SHORTEST_WAY = perhaps({**STORY, "description": "The shortest way there, or null."})
EXPLORATION = perhaps({**EXPLORED, "description": "What the search covered, or null if it was ended."})
