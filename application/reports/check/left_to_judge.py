"""What a check leaves to a person: what is never used, what was not asked, and what it does not look at."""

from __future__ import annotations

from collections import Counter

from rich.console import Console
from rich.text import Text

from stillgate.controller.expressions.durations import format_duration
from stillgate.interlocks.results.assumption import Topic
from stillgate.interlocks.results.verdict import CheckResult, FindingKind, Judgement, RequirementVerdict

from ...console.columns import labelled
from ...console.prose import say, section
from ...console.words import count_words, fault_words, listed
from .verdict_table import breaks_not_required

MOST_LINES = 6
"""Breaks that need not hold which are told one by one."""

MOST_NAMED = 3

NEVER_USED = {
    FindingKind.STATE_NEVER_REACHED: "state",
    FindingKind.EXIT_NEVER_TAKEN: "exit",
    FindingKind.VACUOUS: "trigger of a requirement",
}
TO_LOOK_AT = (FindingKind.DEADLOCK, FindingKind.OVERLAP, FindingKind.WARNING, FindingKind.BOUNDS)


def write_left_to_judge(console: Console, result: CheckResult, *, everything: bool) -> None:
    """Prints it, a row each, then a line for each break that need not hold."""
    section(console, "Left to judge")
    rows = [("never used", _never_used(result)), ("no fault asked", _unasked(result))]
    if excused := _excused(result):
        rows.append(("none required", excused))
    if others := _others(result):
        rows.append(("to look at", others))
    rows.append(("not in this check", ", ".join(_not_here(result))))
    console.print(labelled(rows, min(console.width, 100)), soft_wrap=True)
    _not_required(console, breaks_not_required(result), everything=everything)


def _never_used(result: CheckResult) -> str:
    counts = Counter(item.kind for item in result.findings)
    found = [
        count_words(counts[kind], word, "triggers of requirements" if kind is FindingKind.VACUOUS else None)
        for kind, word in NEVER_USED.items()
        if counts[kind]
    ]
    known = bool(result.exploration) and result.exploration[0].whole
    if found:
        return f"{', '.join(found)}, listed under Findings{'' if known else '; perhaps more'}"
    return "no state, exit or trigger" if known else "not known: not every situation was seen"


def _unasked(result: CheckResult) -> str:
    if not result.faults:
        return "this check looked at no fault; --faults 1 looks at each"
    asked = {item.name for item in result.requirements for each in item.judgements if each.faults}
    unasked = [item for item in result.requirements if item.name not in asked]
    if not unasked:
        return "none: every requirement was asked about each single fault"
    possible = sum(item.pattern.startswith("possibility") for item in unasked)
    why = [
        f"{count} {reason}"
        for count, reason in (
            (possible, "on what is possible"),
            (len(unasked) - possible, "by 'faults: 0' without a hazard"),
        )
        if count
    ]
    total = count_words(len(result.requirements), "requirement")
    return f"{len(unasked)} of {total}: {', '.join(why)}"


def _excused(result: CheckResult) -> str:
    """Requirements that name a hazard and need not withstand a fault, but those that are told one by one."""
    told = {item.name for item, _ in breaks_not_required(result)}
    names = [
        item.name
        for item in result.requirements
        if item.hazard and item.faults < result.faults and item.name not in told
    ]
    return f"{listed(names, MOST_NAMED)}, on which a hazard depends" if names else ""


def _others(result: CheckResult) -> str:
    counts = Counter(item.kind for item in result.findings if not item.breaks)
    found = [f"{counts[kind]} {kind.value}" for kind in TO_LOOK_AT if counts[kind]]
    return f"{', '.join(found)}, listed under Findings" if found else ""


def _not_here(result: CheckResult) -> list[str]:
    found = [name for item in result.assumed if item.topic is Topic.LEFT_OUT for name in item.names]
    if result.exclusions:
        found.append(f"{count_words(len(result.exclusions), 'fault')} that the file excludes")
    if result.exploration and not result.exploration[0].exhausted:
        found.append("deadlocks")
    return found


def _not_required(
    console: Console,
    breaks: list[tuple[RequirementVerdict, Judgement]],
    *,
    everything: bool,
) -> None:
    shown = breaks if everything or len(breaks) <= MOST_LINES else breaks[: MOST_LINES - 1]
    widest = max((len(item.name) for item, _ in shown), default=0)
    for item, judgement in shown:
        line = f"  NOT REQUIRED  {item.name.ljust(widest)}  {_how(judgement)}"
        console.print(Text(line, style="dim"), soft_wrap=True)
    if len(shown) < len(breaks):
        more = len(breaks) - len(shown)
        say(console, f"NOT REQUIRED  and {more} more: stillgate check --all", indent=2)


def _how(judgement: Judgement) -> str:
    """What brings about a break that need not hold; that it breaks is not what catches the eye."""
    story = judgement.story
    if story is None or not story.steps:
        return fault_words(judgement.faults)
    time = story.steps[-1].time
    when = f"after {format_duration(time)}" if time else "at power-on"
    return f"{story.fault or fault_words(judgement.faults)}, {when}"
