"""A check as text. Its answer stands first and last; what matters most stands nearest to the end.

A terminal shows the end of what was printed. So rows and assumptions come first, then findings and what was
explored, then a row a hazard, what is left to judge, and the story of each break that counts. Works from 80
columns upward.
"""

from __future__ import annotations

from rich.console import Console

from stillgate.controller.expressions.durations import format_duration
from stillgate.interlocks.results.verdict import (
    CheckResult,
    Exploration,
    Finding,
    FindingKind,
    Judgement,
    RequirementVerdict,
    Word,
)

from ...console.prose import bullet, say, say_unbroken, section
from ...console.words import (
    CAUTION,
    MOST_NAMED,
    beside_slices,
    count_words,
    fault_words,
    grouped,
    slice_words,
    with_sets,
)
from .answer_text import write_answer
from .assumptions_text import write_assumptions
from .hazard_table import table_of_hazards
from .left_to_judge import write_left_to_judge
from .story_text import write_story
from .verdict_table import STYLES, breaks_not_required, key_of_verdicts, table_of_verdicts

MANY_ROWS = 20
"""Requirements beyond which a row each is printed on request."""

MANY_STATES = 100_000
"""From here on, rate and memory of a search say something."""


def write_check(console: Console, result: CheckResult, file: str, *, everything: bool = False) -> None:
    """Prints a whole check.

    Args:
        console: where to.
        result: the check.
        file: name of the machine file as the user gave it.
        everything: every requirement in a row and every name in a list, however many there are, and the
            stories of breaks that need not hold.
    """
    write_answer(console, result)
    _how_checked(console, result, file)
    _verdicts(console, result, everything=everything)
    write_assumptions(console, result, everything=everything)
    _findings(console, result.findings, file)
    _stories_that_do_not_count(console, result, file, everything=everything)
    _exploration(console, result)
    _hazards(console, result)
    write_left_to_judge(console, result, everything=everything)
    _undecided(console, result, file)
    _breaks(console, result, file)
    say(console, "")
    say(console, CAUTION)
    write_answer(console, result)


def _how_checked(console: Console, result: CheckResult, file: str) -> None:
    tick = f"at the scan of {format_duration(result.scan)}"
    if result.tick != result.scan:
        tick = f"at a tick of {format_duration(result.tick)}"
    budget = f"up to {fault_words(result.faults)}" if result.faults else "without faults"
    say_unbroken(console, f"{file}, {tick}, {budget}")
    if result.from_cache:
        say(console, "kept from an earlier check of the same file")
    if result.tick_caution:
        say(console, result.tick_caution)


def _verdicts(console: Console, result: CheckResult, *, everything: bool) -> None:
    """A row a requirement, unless there are too many to be read at a glance."""
    if not result.requirements:
        return
    say(console, "")
    if len(result.requirements) > MANY_ROWS and not everything:
        count = count_words(len(result.requirements), "requirement")
        say(console, f"{count}, a row each with every name and story: stillgate check --all")
        return
    console.print(table_of_verdicts(result, console.width), soft_wrap=True)
    if key := key_of_verdicts(result):
        say(console, key)


def _hazards(console: Console, result: CheckResult) -> None:
    table = table_of_hazards(result, console.width)
    say(console, "")
    if table is None:
        say(console, "No hazard is named, neither by the file nor by a requirement.")
    else:
        console.print(table, soft_wrap=True)


def _findings(console: Console, findings: tuple[Finding, ...], file: str) -> None:
    if not findings:
        return
    section(console, "Findings")
    for item in findings:
        weight = " (counts as broken)" if item.breaks else ""
        place = f"{file}:{item.line}:{item.column}"
        say_unbroken(console, f"{place}: {item.kind.value}{weight}: {item.message}", indent=2)


def _stories_that_do_not_count(console: Console, result: CheckResult, file: str, *, everything: bool) -> None:
    """Stories of findings, and on request those of breaks that need not hold."""
    for finding in result.findings:
        asked = everything or finding.kind is not FindingKind.BOUNDS
        if finding.story is not None and not finding.breaks and asked:
            section(console, f"{finding.kind.value.upper()}  {finding.subject}")
            write_story(console, finding.story)
    if everything:
        for item, judgement in breaks_not_required(result):
            title = f"NOT REQUIRED  {item.name}: need not withstand {fault_words(judgement.faults)}"
            _story(console, item, [judgement], file, title=title, style="bold")


def _breaks(console: Console, result: CheckResult, file: str) -> None:
    """The stories of what counts as broken, the worst nearest to the end."""
    at = "" if result.tick == result.scan else f" AT {format_duration(result.tick)}"
    for finding in result.findings:
        if finding.breaks:
            title = f"BROKEN{at}  {finding.subject}: {finding.kind.value}"
            section(console, title, style=STYLES[Word.BROKEN])
            if finding.story is not None:
                write_story(console, finding.story)
    broken = [item for item in result.requirements if item.verdict is Word.BROKEN]
    for item in sorted(broken, key=_weight):
        counting = [
            each for each in item.judgements if each.word is Word.BROKEN and each.faults <= item.faults
        ]
        _story(console, item, counting, file, title=f"BROKEN{at}  {item.name}", style=STYLES[Word.BROKEN])


def _weight(item: RequirementVerdict) -> tuple[bool, bool, int]:
    """More for a break that a hazard depends on, that needs no fault, and that is soon told."""
    needs = min(each.faults for each in item.judgements if each.word is Word.BROKEN)
    length = 0 if item.story is None else len(item.story.steps)
    return item.hazard is not None, not needs, -length


def _story(
    console: Console,
    item: RequirementVerdict,
    broken: list[Judgement],
    file: str,
    *,
    title: str,
    style: str,
) -> None:
    """How a requirement breaks: where it stands, what it says, what it is for, and the story."""
    section(console, title, style=style)
    say_unbroken(console, f"{file}:{item.line}:{item.column}: {item.text}", indent=2)
    for name, meaning in item.names:
        say(console, f"{name}: {meaning}", indent=4, hanging=2)
    if item.why:
        say(console, f"why: {item.why}", indent=2)
    for judgement in broken:
        if judgement.reason:
            say(console, f"with {fault_words(judgement.faults)}: {judgement.reason}", indent=2)
    story = next((each.story for each in broken if each.story is not None), None)
    if story is not None:
        write_story(console, story, item.text)


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
        asked = any("; z3: " in reason for _, reason in reasons)
        needs = "with more time" if asked else "needs z3: pip install 'stillgate[z3]'"
        say(console, f"Another method may decide: stillgate confirm {file} ({needs})", indent=2)


def _exploration(console: Console, result: CheckResult) -> None:
    section(console, "Explored")
    for item in result.exploration:
        bullet(console, beside_slices(exploration_words(item), item))
        for part in item.slices:
            bullet(console, f"{slice_words(part, MOST_NAMED)}: {exploration_words(part.exploration)}")
    for (faults, method), names in found_by_z3(result).items():
        bullet(console, f"{fault_words(faults)}: found by z3 ({method}), not by a search: {', '.join(names)}")


def found_by_z3(result: CheckResult) -> dict[tuple[int, str], list[str]]:
    """Requirements whose verdict no search found, by number of faults and method."""
    found: dict[tuple[int, str], list[str]] = {}
    for item in result.requirements:
        for judgement in item.judgements:
            if judgement.method:
                found.setdefault((judgement.faults, judgement.method), []).append(item.name)
    return found


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
