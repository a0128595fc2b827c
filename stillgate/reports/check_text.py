"""A check as text: verdicts, assumptions, findings, the story of each break, what was explored.

The order is that of a reader's questions: what holds, under which assumptions, what else was
noticed, how does it break, how far did the search get. Works from 80 columns upward.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from stillgate.controller.durations import format_duration
from stillgate.interlocks.verdict import (
    CheckResult,
    Exploration,
    Finding,
    Judgement,
    RequirementVerdict,
    Story,
    StoryStep,
    Word,
)

from ..terminal import printable
from .words import (
    CAUTION,
    change_words,
    clock_words,
    count_words,
    fault_words,
    grouped,
    judgement_words,
    who_words,
)

STYLES = {Word.HOLDS: "green", Word.BROKEN: "bold red", Word.UNDECIDED: "yellow"}
WIDEST_PROSE = 100
SPACING = 3
"""Characters between two columns of a table."""
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
    console.print(_verdict_table(result, console.width))
    _totals(console, result)
    _assumptions(console, result)
    _findings(console, result.findings, file)
    for requirement in result.requirements:
        _requirement_in_trouble(console, requirement, file)
    for finding in result.findings:
        if finding.story is not None:
            _say(console, f"\n{finding.kind.value.upper()}  {finding.subject}", style="bold")
            write_story(console, finding.story)
    _exploration(console, result)
    _say(console, "")
    _say(console, CAUTION)


def write_story(console: Console, story: Story) -> None:
    """Prints how a requirement breaks: a table of what changed, for a technician."""
    _say(console, printable(story.headline), indent=2)
    if story.start:
        stood = ", ".join(f"{part} {place}" for part, place in story.start)
        _say(console, f"At power-on: {stood}.", indent=2)
    console.print(Padding(steps_table(story.steps), (1, 0, 1, 2)))


def steps_table(steps: Iterable[StoryStep]) -> Table:
    """What changed, when and by whom, with the states and outputs after it."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1))
    table.add_column("time", justify="right", no_wrap=True)
    table.add_column("what changed", ratio=5, overflow="fold")
    table.add_column("states", ratio=3, overflow="fold")
    table.add_column("outputs on", ratio=3, overflow="fold")
    before: StoryStep | None = None
    steps = list(steps)
    for step, clock in zip(steps, clock_words([step.time for step in steps]), strict=True):
        table.add_row(
            clock,
            _changes(step),
            _states(before, step),
            _lines(step.on_outputs) if step.on_outputs else Text("none", style="dim"),
        )
        before = step
    return table


def _changes(step: StoryStep) -> Text:
    if not step.changes:
        return Text("at rest" if step.tick == 0 else "time passes", style="dim")
    return _lines(f"{who_words(change)}: {change_words(change)}" for change in step.changes)


def _states(before: StoryStep | None, step: StoryStep) -> Text:
    """Active states in the first row, later those that changed; a quotation mark for 'as above'."""
    old = set(before.states) if before is not None else set()
    changed = [f"{sequence} {state}" for sequence, state in step.states if (sequence, state) not in old]
    return _lines(changed) if changed else Text('"', style="dim")


def _heading(console: Console, result: CheckResult, file: str) -> None:
    cached = ", kept from an earlier check of the same file" if result.from_cache else ""
    _say(console, f"{result.machine} ({file}){cached}", style="bold")
    tick = "at its scan" if result.tick == result.scan else "with a tick"
    _say(
        console,
        f"{count_words(len(result.requirements), 'requirement')} checked {tick} of"
        f" {format_duration(result.tick)} (scan {format_duration(result.scan)}),"
        f" up to {fault_words(result.faults)}",
    )
    _say(console, "")


def _verdict_table(result: CheckResult, width: int) -> Table:
    budgets = sorted({judgement.faults for item in result.requirements for judgement in item.judgements})
    head = [
        Text("requirement"),
        Text("hazard"),
        *map(Text, map(fault_words, budgets)),
        Text("must\nwithstand"),
    ]
    rows = [head]
    for item in result.requirements:
        said = {judgement.faults: judgement for judgement in item.judgements}
        rows.append(
            [
                Text(item.name, style="bold red" if item.verdict is Word.BROKEN else ""),
                Text(item.hazard or "-"),
                *(_cell(said.get(budget), item.faults, result.scan) for budget in budgets),
                Text(fault_words(item.faults)),
            ]
        )
    natural = [max(_width_of(row[column]) for row in rows) for column in range(len(head))]
    narrowest = [12, 8, *(9 for _ in budgets), natural[-1]]
    yielding = [*range(2, len(head) - 1), 1, 0]
    widths = fitted(natural, narrowest, yielding, width - SPACING * (len(head) - 1))
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1))
    for title, column in zip(head, widths, strict=True):
        table.add_column(title, width=column, overflow="fold", vertical="top")
    for row in rows[1:]:
        table.add_row(*row)
    return table


def _width_of(cell: Text) -> int:
    return max(map(len, cell.plain.splitlines()))


def fitted(natural: list[int], narrowest: list[int], yielding: list[int], room: int) -> list[int]:
    """Column widths that fit: columns give way in the order of ``yielding``, none below its narrowest."""
    widths = list(natural)
    for column in yielding:
        excess = sum(widths) - room
        if excess > 0:
            widths[column] = max(min(natural[column], narrowest[column]), widths[column] - excess)
    return widths


def _cell(judgement: Judgement | None, required: int, scan: int) -> Text:
    if judgement is None:
        return Text("-")
    wanted = judgement.faults <= required
    return Text(judgement_words(judgement, scan), style=STYLES[judgement.word] if wanted else "dim")


def _totals(console: Console, result: CheckResult) -> None:
    """How many of each verdict, and the verdict of the whole check."""
    counts = {word: sum(item.verdict is word for item in result.requirements) for word in Word}
    holds = "holds" if counts[Word.HOLDS] == 1 else "hold"
    if result.tick != result.scan:
        holds += f" at {format_duration(result.tick)}"
    said = {Word.HOLDS: holds, Word.BROKEN: "broken", Word.UNDECIDED: "undecided"}
    parts = [f"{counts[word]} {said[word]}" for word in Word if counts[word] or word is Word.HOLDS]
    extra = sum(item.breaks for item in result.findings)
    if extra:
        parts.append(f"{count_words(extra, 'finding that counts', 'findings that count')} as broken")
    _say(console, "")
    _say(
        console,
        f"{', '.join(parts)} (under the faults that each must withstand)",
        style=STYLES[result.verdict],
    )


def _assumptions(console: Console, result: CheckResult) -> None:
    _section(console, "Assumptions")
    for assumption in result.assumptions:
        _bullet(console, assumption)
    if result.exclusions:
        _section(console, "Faults left out, with the reason given (ISO 13849-2 fault exclusion)")
        for fault, reason in result.exclusions:
            _bullet(console, f"{fault}: {reason}")


def _findings(console: Console, findings: tuple[Finding, ...], file: str) -> None:
    if not findings:
        return
    _section(console, "Findings")
    for item in findings:
        weight = " (counts as broken)" if item.breaks else ""
        place = f"{file}:{item.line}:{item.column}: "
        _say(console, f"{place}{item.kind.value}{weight}: {printable(item.message)}", indent=2, prose=False)


def _requirement_in_trouble(console: Console, item: RequirementVerdict, file: str) -> None:
    """The story of a break, or why a verdict is missing; nothing for what holds."""
    troubled = [judgement for judgement in item.judgements if judgement.word is not Word.HOLDS]
    if not troubled:
        return
    first = troubled[0]
    _section(console, f"{first.word.value.upper()}  {item.name}", style=STYLES[first.word])
    _say(console, f"{file}:{item.line}:{item.column}: {printable(item.text)}", indent=2, prose=False)
    if item.why:
        _say(console, f"why: {printable(item.why)}", indent=2)
    if first.faults > item.faults:
        _say(console, f"It need not withstand {fault_words(first.faults)}, so this does not count.", indent=2)
    for judgement in troubled:
        if judgement.word is Word.UNDECIDED:
            _say(
                console, f"undecided with {fault_words(judgement.faults)}: {_undecided(judgement)}", indent=2
            )
        elif judgement.reason:
            _say(console, f"with {fault_words(judgement.faults)}: {judgement.reason}", indent=2)
    if item.story is not None:
        write_story(console, item.story)


def _undecided(judgement: Judgement) -> str:
    if not judgement.depth:
        return judgement.reason
    return f"{judgement.reason}, searched to {format_duration(judgement.depth * judgement.tick)}"


def _exploration(console: Console, result: CheckResult) -> None:
    _section(console, "Explored")
    for item in result.exploration:
        _bullet(console, exploration_words(item))


def exploration_words(item: Exploration) -> str:
    """What one search covered, in a sentence."""
    reach = "every reachable situation"
    if not item.exhausted:
        reach = f"stopped by the {item.stopped_by} before {reach} was seen"
    cost = f"{item.seconds:.2f} s, {count_words(item.threads, 'thread')}"
    if item.states >= MANY_STATES and item.seconds:
        rate = item.transitions / item.seconds / 1e6
        cost += f", {rate:.1f} million steps/s, {item.bytes_per_state:.1f} bytes a state"
    return (
        f"{fault_words(item.faults)}: {reach};"
        f" {count_words(item.states, 'state')}, {grouped(item.transitions)} steps,"
        f" {count_words(item.depth, 'tick')} deep ({format_duration(item.depth * item.tick)}); {cost}"
    )


def _lines(items: Iterable[str]) -> Text:
    return Text("\n".join(items))


def _section(console: Console, title: str, style: str = "bold") -> None:
    _say(console, "")
    _say(console, title, style=style)


def _bullet(console: Console, text: str) -> None:
    _say(console, f"- {text}", indent=2, hanging=2)


def _say(
    console: Console, text: str, *, indent: int = 0, hanging: int = 0, style: str = "", prose: bool = True
) -> None:
    """A line of text; prose is wrapped, anything with a place in a file is left in one piece."""
    pad = " " * indent
    lines = [pad + text]
    if prose:
        width = min(console.width, WIDEST_PROSE)
        lines = textwrap.wrap(
            printable(text),
            width,
            initial_indent=pad,
            subsequent_indent=pad + " " * hanging,
            break_on_hyphens=False,
        )
    console.print(Text("\n".join(lines), style=style), soft_wrap=True)
