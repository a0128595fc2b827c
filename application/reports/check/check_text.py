"""A check as text: verdicts, assumptions, findings, the story of each break, what was explored.

The order is that of a reader's questions: what holds, under which assumptions, what else was
noticed, how does it break, how far did the search get. Works from 80 columns upward.
"""

from __future__ import annotations

from rich.console import Console

from stillgate.controller.expressions.durations import format_duration
from stillgate.interlocks.results.verdict import CheckResult, Exploration, Finding, RequirementVerdict, Word

from ...console.prose import bullet, say, say_unbroken, section
from ...console.words import (
    CAUTION,
    MOST_NAMED,
    beside_slices,
    count_words,
    fault_words,
    grouped,
    slice_words,
    verdict_words,
    with_sets,
)
from .story_text import write_story
from .verdict_table import STYLES, table_of_verdicts

MANY_STATES = 100_000
"""From here on, rate and memory of a search say something."""


def write_check(console: Console, result: CheckResult, file: str) -> None:
    """Prints a whole check.

    Args:
        console: where to.
        result: the check.
        file: name of the machine file as the user gave it.
    """
    _heading(console, result, file)
    console.print(table_of_verdicts(result, console.width))
    _totals(console, result)
    _assumptions(console, result)
    _findings(console, result.findings, file)
    for counting in (True, False):
        for requirement in result.requirements:
            if (requirement.verdict is Word.BROKEN) is counting:
                _break(console, requirement, result, file)
    for finding in result.findings:
        if finding.story is not None:
            section(console, f"{finding.kind.value.upper()}  {finding.subject}")
            write_story(console, finding.story)
    _undecided(console, result, file)
    _exploration(console, result)
    say(console, "")
    say(console, CAUTION)


def _heading(console: Console, result: CheckResult, file: str) -> None:
    cached = ", kept from an earlier check of the same file" if result.from_cache else ""
    say_unbroken(console, f"{result.machine} ({file}){cached}", style="bold")
    tick = f"at the scan of {format_duration(result.scan)}"
    if result.tick != result.scan:
        tick = f"with a tick of {format_duration(result.tick)} (scan {format_duration(result.scan)})"
    count = count_words(len(result.requirements), "requirement")
    budget = f"up to {fault_words(result.faults)}" if result.faults else "without faults"
    say(console, f"{count} checked {tick}, {budget}")
    say(console, "")


def _totals(console: Console, result: CheckResult) -> None:
    """How many of each verdict, and the verdict of the whole check."""
    counts = {word: sum(item.verdict is word for item in result.requirements) for word in Word}
    best = Word.HOLDS.at(result.tick, result.scan)
    said = {word: verdict_words(word, result.tick, result.scan) for word in Word}
    said[Word.HOLDS] = "holds" if counts[Word.HOLDS] == 1 else "hold"
    parts = [f"{counts[word]} {said[word]}" for word in Word if counts[word] or word is best]
    extra = sum(item.breaks for item in result.findings)
    if extra:
        parts.append(f"{count_words(extra, 'finding that counts', 'findings that count')} as broken")
    say(console, "")
    total = f"{', '.join(parts)} (under the faults that each must withstand)"
    say(console, total, style=STYLES[result.verdict])
    if result.tick_caution:
        say(console, result.tick_caution)


def _assumptions(console: Console, result: CheckResult) -> None:
    section(console, "Assumptions")
    for assumption in result.assumptions:
        bullet(console, assumption)
    if result.exclusions:
        section(console, "Faults left out, with the reason given (ISO 13849-2 fault exclusion)")
        for fault, reason in result.exclusions:
            bullet(console, f"{fault}: {reason}")


def _findings(console: Console, findings: tuple[Finding, ...], file: str) -> None:
    if not findings:
        return
    section(console, "Findings")
    for item in findings:
        weight = " (counts as broken)" if item.breaks else ""
        place = f"{file}:{item.line}:{item.column}"
        say_unbroken(console, f"{place}: {item.kind.value}{weight}: {item.message}", indent=2)


def _break(console: Console, item: RequirementVerdict, result: CheckResult, file: str) -> None:
    """How a requirement breaks; nothing for one that does not."""
    broken = [judgement for judgement in item.judgements if judgement.word is Word.BROKEN]
    if not broken:
        return
    counts = item.verdict is Word.BROKEN
    at = "" if result.tick == result.scan else f" AT {format_duration(result.tick)}"
    section(console, f"BROKEN{at}  {item.name}", style=STYLES[Word.BROKEN] if counts else "bold")
    say_unbroken(console, f"{file}:{item.line}:{item.column}: {item.text}", indent=2)
    for name, meaning in item.names:
        say(console, f"{name}: {meaning}", indent=4, hanging=2)
    if item.why:
        say(console, f"why: {item.why}", indent=2)
    if not counts:
        say(
            console,
            f"It need not withstand {fault_words(broken[0].faults)}, so this does not count.",
            indent=2,
        )
    for judgement in broken:
        if judgement.reason:
            say(console, f"with {fault_words(judgement.faults)}: {judgement.reason}", indent=2)
    if item.story is not None:
        write_story(console, item.story)


def _undecided(console: Console, result: CheckResult, file: str) -> None:
    """Why verdicts are missing, a reason once, with its requirements, and what else may decide."""
    reasons: dict[tuple[int, str], list[str]] = {}
    for item in result.requirements:
        for judgement in item.judgements:
            if judgement.word is Word.UNDECIDED:
                reasons.setdefault((judgement.faults, judgement.reason), []).append(item.name)
    for (faults, reason), names in reasons.items():
        section(console, f"UNDECIDED  with {fault_words(faults)}: {reason}", style=STYLES[Word.UNDECIDED])
        say(console, ", ".join(names), indent=2)
    if reasons:
        needs = "needs z3: pip install 'stillgate[z3]'"
        say(console, f"Another method may decide: stillgate confirm {file} ({needs})", indent=2)


def _exploration(console: Console, result: CheckResult) -> None:
    section(console, "Explored")
    for item in result.exploration:
        bullet(console, beside_slices(exploration_words(item), item))
        for part in item.slices:
            bullet(console, f"{slice_words(part, MOST_NAMED)}: {exploration_words(part.exploration)}")


def exploration_words(item: Exploration) -> str:
    """What one search covered, in a sentence."""
    reach = "every reachable situation"
    if not item.exhausted:
        reach = f"stopped by the {item.stopped_by} before {reach} was seen"
    cost = f"{item.seconds:.2f} s, {count_words(item.threads, 'thread')}"
    if item.states >= MANY_STATES and item.seconds:
        rate = item.transitions / item.seconds / 1e6
        cost += f", {rate:.1f} million steps/s, {item.bytes_per_state:.1f} bytes a state"
    took = "" if item.sets is None else f" ({item.sets.seconds:.2f} s)"
    single = (
        f"{reach}; {count_words(item.states, 'state')}, {grouped(item.transitions)} steps,"
        f" {count_words(item.depth, 'tick')} deep ({format_duration(item.depth * item.tick)}); {cost}"
    )
    return f"{fault_words(item.faults)}: {with_sets(single, item)}{took}"
