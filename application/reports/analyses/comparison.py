"""A comparison of two versions as text for a terminal and as JSON, and the schema of its fields."""

from __future__ import annotations

from typing import Any

from rich.console import Console

from stillgate.interlocks.results.comparison import Comparison
from stillgate.interlocks.results.verdict import Word

from ...console.prose import bullet, say, say_unbroken, section
from ...console.words import CAUTION
from ..check.verdict_table import STYLES
from ..exchange.schema_words import (
    TICK_CAUTION,
    WORD,
    closed,
    many,
    perhaps,
    text,
    whole,
)
from .analysis_parts import (
    ASSUMPTIONS,
    CAUTION_TEXT,
    EXPLORATION,
    SECONDS,
    SHORTEST_WAY,
    plain_data,
    tell_story,
    write_assumptions,
    write_caution,
    write_tick_caution,
)


def write_comparison(console: Console, result: Comparison) -> None:
    """Prints what changed, which verdicts, and whether outputs differ."""
    say_unbroken(console, f"{result.old} and {result.new}", style="bold")
    section(console, "What changed")
    for item in result.changes:
        places = [f"old line {item.old_line}"] if item.old_line else []
        places += [f"new line {item.new_line}"] if item.new_line else []
        bullet(console, f"{item.text} ({', '.join(places)})" if places else item.text)
    if not result.changes:
        bullet(console, "nothing but notes and layout")
    section(console, "Verdicts that changed")
    for change in result.verdicts:
        before, after = (_verdict(item) for item in (change.old, change.new))
        bullet(console, f"{change.requirement}: {before}, now {after}")
    if not result.verdicts:
        bullet(console, "none")
    section(console, "Outputs")
    say(console, result.outputs_text, indent=2, style=STYLES[result.outputs])
    write_tick_caution(console, result.tick_caution)
    if result.difference is not None:
        tell_story(console, "THE SHORTEST WAY TO A DIFFERENCE", result.difference)
    for change in result.verdicts:
        if change.story is not None:
            version = "" if change.new is Word.BROKEN else " (in the old version)"
            tell_story(console, f"BROKEN  {change.requirement}{version}", change.story)
    write_assumptions(console, result.assumptions)
    write_caution(console)


def _verdict(word: Word | None) -> str:
    return "not there" if word is None else word.value


def comparison_document(result: Comparison) -> dict[str, Any]:
    """The JSON document of a comparison."""
    return {"format": "stillgate compare 1", **plain_data(result), "caution": CAUTION}


# -- schema ----------------------------------------------------------------------------------------

COMPARE = closed(
    "Two versions of a machine file.",
    format=text("Name and version of this form."),
    old=text("The old file."),
    new=text("The new file."),
    old_digest=text("SHA-256 of the old file."),
    new_digest=text("SHA-256 of the new file."),
    changes=many(
        "What changed, in the order of the file's sections.",
        closed(
            "One change.",
            section=text("Section of the file."),
            subject=text("What it is about."),
            text=text("The change in words."),
            old_line=perhaps(whole("Line of the old file.")),
            new_line=perhaps(whole("Line of the new file.")),
        ),
    ),
    verdicts=many(
        "Requirements whose verdicts differ.",
        closed(
            "One requirement.",
            requirement=text("Its name."),
            old=perhaps(text("Verdict in the old version; null if it is not there.", *WORD)),
            new=perhaps(text("Verdict in the new version; null if it is not there.", *WORD)),
            story=SHORTEST_WAY,
        ),
    ),
    outputs=text(
        "'holds' if the outputs never differ, 'not broken' if that was found at a longer tick than the scan "
        "and so decides nothing, 'broken' if they differ.",
        *WORD,
    ),
    outputs_text=text("What was found out about the outputs, in a sentence."),
    difference=SHORTEST_WAY,
    differing=many("Outputs that differ at the end of that way.", text("An output.")),
    exploration=EXPLORATION,
    assumptions=ASSUMPTIONS,
    seconds=SECONDS,
    tick_caution=TICK_CAUTION,
    caution=CAUTION_TEXT,
)
