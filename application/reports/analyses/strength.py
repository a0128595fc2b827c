"""A list of weakenings as text for a terminal and as JSON, and the schema that says what each field is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Console

from stillgate.controller.expressions.durations import format_duration
from stillgate.interlocks.results.weakenings import StrengthList, Weakening, WeakeningKind

from ...console.answers import at_a_tick, write_answer
from ...console.prose import say, say_lines, say_unbroken, section
from ...console.words import count_words, fault_words
from ..exchange.schema_words import (
    TICK_CAUTION,
    closed,
    many,
    number,
    perhaps,
    text,
    truth,
    whole,
)
from .analysis_parts import (
    ASSUMPTIONS,
    CAUTION_TEXT,
    FILE,
    MACHINE,
    SECONDS,
    analysis_document,
    write_assumptions,
    write_caution,
    write_tick_caution,
)


def write_strength(console: Console, result: StrengthList, file: str) -> None:
    """Prints how many weakenings are noticed, and each that is not."""
    certain = [item for item in result.unnoticed if item.noticed is False]
    undecided = [item for item in result.unnoticed if item.noticed is None]
    _answer(console, result, len(certain), len(undecided))
    say_unbroken(console, f"{file}, at {format_duration(result.tick)}, up to {fault_words(result.faults)}")
    write_tick_caution(console, result.tick_caution)
    if certain:
        at = f" at {format_duration(result.tick)}" if result.tick_caution else ""
        meaning = "the condition is superfluous, or a requirement is missing"
        section(console, f"Noticed by no requirement{at}: {meaning}")
        _weakenings(console, certain, file)
    if undecided:
        section(console, "Undecided")
        _weakenings(console, undecided, file)
    write_assumptions(console, result.assumptions)
    write_caution(console)


def _answer(console: Console, result: StrengthList, certain: int, undecided: int) -> None:
    """How many are noticed by no requirement; more is not asked."""
    total = count_words(len(result.weakenings), "weakening")
    noticed = f"{result.noticed} noticed ({100 * result.share:.1f} %)"
    tick = at_a_tick(result.tick, result.tick_caution)
    if certain:
        open_ones = f", {undecided} undecided" if undecided else ""
        about = f"{certain} of {total}, by no requirement; {noticed}{open_ones}"
        write_answer(console, "UNNOTICED", f"{result.machine}: {about}", style="bold yellow", tick=tick)
    elif undecided:
        write_answer(console, "UNDECIDED", f"{result.machine}: {undecided} of {total}; {noticed}", tick=tick)
    else:
        about = f"every one of {total}, by some requirement"
        write_answer(console, "NOTICED", f"{result.machine}: {about}", style="bold green", tick=tick)


def _weakenings(console: Console, items: Sequence[Weakening], file: str) -> None:
    reasons = {item.reason for item in items}
    common = next(iter(reasons)) if len(reasons) == 1 and len(items) > 1 else ""
    if common:  # said once
        say(console, f"all of them: {common}", indent=2)
    lines = (
        f"{file}:{item.line}:{item.column}: {item.text}"
        + (f" ({item.reason})" if item.reason != common else "")
        for item in items
    )
    say_lines(console, lines, indent=2)


def strength_document(result: StrengthList, file: str) -> dict[str, Any]:
    """The JSON document of a list of weakenings."""
    document = analysis_document("stillgate strength 1", result, file)
    caution = document.pop("caution")
    return {**document, "noticed": result.noticed, "share": round(result.share, 4), "caution": caution}


# -- schema ----------------------------------------------------------------------------------------

STRENGTH = closed(
    "Every weakening of a machine file.",
    format=text("Name and version of this form."),
    file=FILE,
    machine=MACHINE,
    tick=whole("Period of the searches."),
    faults=whole("Largest number of faults at once."),
    weakenings=many(
        "In the order of the file.",
        closed(
            "One weakening.",
            kind=text("How it is weakened.", *(item.value for item in WeakeningKind)),
            place=text("What is weakened."),
            subject=text("The condition or time."),
            text=text("The weakening in one line."),
            line=whole("Line of the machine file."),
            column=whole("Column of the machine file."),
            noticed=perhaps(truth("Whether a requirement notices it; null if that is undecided.")),
            by=text("The requirement that breaks."),
            faults=whole("Faults it takes to notice it."),
            fault=text("The fault under which it was noticed."),
            depth=perhaps(whole("Ticks of the break that was found.")),
            reason=text("Why it is undecided."),
            equivalent=truth("Shown never to change anything."),
        ),
    ),
    assumptions=ASSUMPTIONS,
    seconds=SECONDS,
    tick_caution=TICK_CAUTION,
    noticed=whole("How many are noticed."),
    share=number("Part that is noticed, 0 to 1."),
    caution=CAUTION_TEXT,
)
