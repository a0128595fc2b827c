"""What is different between two checks of a file: verdicts, findings, assumptions."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from rich.console import Console

from stillgate.controller.expressions.durations import format_duration
from stillgate.interlocks.results.verdict import CheckResult, Finding, RequirementVerdict, Word

from ...console.prose import bullet, say, say_unbroken, section
from ...console.words import count_words, judgement_words
from .story_text import write_story
from .verdict_table import STYLES

GONE, NEW = "no longer there", "new"


def write_changes(console: Console, before: CheckResult, after: CheckResult, file: str) -> None:
    """Prints what changed, worst first, and a line that says how all stands.

    Args:
        console: where to.
        before: the last result that could be had.
        after: the present one.
        file: name of the machine file as the user gave it.
    """
    old = {item.name: item for item in before.requirements}
    changed = [
        item
        for item in after.requirements
        if item.name not in old or _said(old[item.name], before) != _said(item, after)
    ]
    for item in sorted(changed, key=lambda item: item.verdict is not Word.BROKEN):
        was = _said(old[item.name], before) if item.name in old else (NEW,)
        _requirement(console, item, was, after, file)
    for name in old:
        if all(name != item.name for item in after.requirements):
            say_unbroken(console, f"{name}: {GONE}")
    for line in _findings(before, after, file):
        say_unbroken(console, line)
    for title, now, then in (
        ("new assumption", after.assumptions, before.assumptions),
        ("assumption dropped", before.assumptions, after.assumptions),
    ):
        for text in now:
            if text not in then:
                bullet(console, f"{title}: {text}")
    say_unbroken(console, standing(after), style=STYLES[after.verdict])
    if after.tick_caution:
        say(console, after.tick_caution)


def standing(result: CheckResult) -> str:
    """How many of each verdict, in a line."""
    counts = {word: sum(item.verdict is word for item in result.requirements) for word in Word}
    at = "" if result.tick == result.scan else f" at {format_duration(result.tick)}"
    said = ", ".join(f"{counts[word]} {text}" for word, text in _WORDS.items() if counts[word])
    extra = sum(item.breaks for item in result.findings)
    if extra:
        said += f", {count_words(extra, 'finding that counts', 'findings that count')} as broken"
    kept = ", kept from an earlier check of the same file" if result.from_cache else ""
    return (
        f"{said or 'no requirements'}{at}, under {count_words(len(result.assumptions), 'assumption')}{kept}"
    )


_WORDS = {
    Word.BROKEN: "broken",
    Word.UNDECIDED: "undecided",
    Word.NOT_BROKEN: "not broken",
    Word.HOLDS: "hold",
}


def _said(item: RequirementVerdict, result: CheckResult) -> tuple[str, ...]:
    """The verdicts of a requirement as a table shows them, and what it is."""
    judged = (
        f"{judgement_words(judgement, result.scan)}{_under(judgement.faults)}"
        for judgement in item.judgements
    )
    return (*judged, item.text)


def _under(faults: int) -> str:
    return " with one fault" if faults else ""


def _requirement(
    console: Console, item: RequirementVerdict, was: tuple[str, ...], result: CheckResult, file: str
) -> None:
    now = _said(item, result)
    style = STYLES[item.verdict] if item.verdict in (Word.BROKEN, Word.UNDECIDED) else ""
    section(console, f"{item.name}: {', '.join(now[:-1]) or item.verdict.value}", style=style or "bold")
    say_unbroken(console, f"{file}:{item.line}:{item.column}: {item.text}", indent=2)
    say(console, f"before: {', '.join(was[:-1]) or NEW}", indent=2)
    if len(was) > 1 and was[-1] != now[-1]:
        say(console, f"it said: {was[-1]}", indent=2)
    if item.verdict is Word.BROKEN and item.story is not None:
        write_story(console, item.story, item.text)


def _findings(before: CheckResult, after: CheckResult, file: str) -> Iterator[str]:
    def key(item: Finding) -> tuple[str, str]:
        return item.kind.value, item.message

    found: Callable[[CheckResult], dict[tuple[str, str], Finding]] = lambda result: {  # noqa: E731
        key(item): item for item in result.findings
    }
    old, new = found(before), found(after)
    for name, item in new.items():
        if name not in old:
            yield f"{file}:{item.line}:{item.column}: {item.kind.value}: {item.message}"
    for name, item in old.items():
        if name not in new:
            yield f"{GONE}: {item.kind.value}: {item.message}"
