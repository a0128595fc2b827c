"""The text of a failed item: what is broken, where it stands, why it matters, and the story."""

from __future__ import annotations

import io
import shutil
from collections.abc import Callable

from rich.console import Console

from stillgate.controller.expressions.durations import format_duration
from stillgate.interlocks.results.verdict import CheckResult, Finding, RequirementVerdict, Word

from ...console.prose import say, say_unbroken
from ...console.terminal import DEFAULT_WIDTH, NARROWEST
from ...console.words import fault_words, verdict_words
from ...reports.check.story_text import write_story

WIDEST = 120


def requirement_text(item: RequirementVerdict, result: CheckResult, file: str) -> str:
    """How a requirement breaks, or why it is undecided.

    Args:
        item: the requirement.
        result: its check.
        file: name of the machine file as the user knows it.
    """

    def write(console: Console) -> None:
        said = verdict_words(item.verdict, result.tick, result.scan)
        also = ", so undecided" if item.verdict is Word.NOT_BROKEN else ""
        say_unbroken(console, f"{said}{also}: {item.text}")
        say_unbroken(console, f"{file}:{item.line}:{item.column}: {item.name}", indent=2)
        if item.hazard:
            say(console, f"hazard: {item.hazard}", indent=2)
        if item.why:
            say(console, f"why: {item.why}", indent=2)
        must = f"must withstand {fault_words(item.faults)}"
        how = "at the scan of" if result.tick == result.scan else "with a tick of"
        say(console, f"{must}; checked {how} {format_duration(result.tick)}", indent=2)
        if result.tick_caution:
            say(console, result.tick_caution, indent=2)
        for judgement in item.judgements:
            counts = judgement.faults <= item.faults and judgement.word in (Word.BROKEN, Word.UNDECIDED)
            if counts and judgement.reason:
                under = fault_words(judgement.faults)
                say(console, f"{judgement.word.value} with {under}: {judgement.reason}", indent=2)
        counted = [judgement.story for judgement in item.judgements if judgement.faults <= item.faults]
        story = next((found for found in counted if found is not None), None)
        if story is not None:
            write_story(console, story, item.text)

    return _printed(write)


def finding_text(item: Finding, sentence: str) -> str:
    """A finding, with its story if there is one."""

    def write(console: Console) -> None:
        say_unbroken(console, sentence)
        if item.story is not None:
            write_story(console, item.story)

    return _printed(write)


def _printed(write: Callable[[Console], None]) -> str:
    stream = io.StringIO()
    width = min(WIDEST, max(NARROWEST, shutil.get_terminal_size((DEFAULT_WIDTH, 24)).columns))
    write(Console(file=stream, width=width, highlight=False, markup=False, emoji=False, color_system=None))
    return "\n".join(line.rstrip() for line in stream.getvalue().splitlines())
