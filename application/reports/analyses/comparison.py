"""A comparison of two versions as text for a terminal and as JSON, and the schema of its fields."""

from __future__ import annotations

from typing import Any

from rich.console import Console

from stillgate.interlocks.results.comparison import Comparison
from stillgate.interlocks.results.verdict import Word

from ...console.answers import write_answer
from ...console.prose import bullet, say, section
from ...console.words import CAUTION, MOST_NAMED, count_words, listed
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
    _answer(console, result)
    write_tick_caution(console, result.tick_caution)
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
    if result.difference is not None:
        tell_story(console, "THE SHORTEST WAY TO A DIFFERENCE", result.difference)
    for change in result.verdicts:
        if change.story is not None:
            version = "" if change.new is Word.BROKEN else " (in the old version)"
            tell_story(console, f"BROKEN  {change.requirement}{version}", change.story)
    write_assumptions(console, result.assumptions)
    write_caution(console)


def differs(result: Comparison) -> bool | None:
    """Whether outputs or verdicts differ; None where it is not known. What is not known is no difference."""

    def is_open(old: Word | None, new: Word | None) -> bool:
        return Word.UNDECIDED in (old, new) or {old, new} == {Word.HOLDS, Word.NOT_BROKEN}

    undecided = [item for item in result.verdicts if is_open(item.old, item.new)]
    if result.outputs is Word.BROKEN or len(result.verdicts) > len(undecided):
        return True
    return False if result.outputs is Word.HOLDS and not undecided else None


def _answer(console: Console, result: Comparison) -> None:
    word, style = {
        True: ("DIFFERENT", "bold yellow"), False: ("SAME", "bold green"), None: ("UNDECIDED", "bold yellow")
    }[differs(result)]  # fmt: skip
    outputs = {
        Word.BROKEN: f"outputs differ ({', '.join(result.differing)})",
        Word.UNDECIDED: "whether outputs differ is not known",
    }.get(result.outputs, f"outputs never differ{' in steps of a tick' if result.tick_caution else ''}")
    names = listed([item.requirement for item in result.verdicts], MOST_NAMED)
    verdicts = (
        f"{count_words(len(result.verdicts), 'verdict')} changed: {names}" if names else "no verdict changed"
    )
    write_answer(console, word, f"{result.old} and {result.new}: {outputs}, {verdicts}", style=style)


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
