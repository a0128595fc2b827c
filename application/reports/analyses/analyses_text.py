"""Fault table, layers, strength and comparison as text for a terminal."""

from __future__ import annotations

from collections.abc import Iterable

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text
from stillgate.controller.expressions.durations import format_duration
from stillgate.interlocks.results.comparison import Comparison
from stillgate.interlocks.results.fault_table_rows import FaultOutcome, FaultRow, FaultTable
from stillgate.interlocks.results.layer_rows import LayerTable
from stillgate.interlocks.results.verdict import Judgement, Story, Word
from stillgate.interlocks.results.weakenings import StrengthList, Weakening

from ...console.prose import bullet, say, say_unbroken, section
from ...console.words import CAUTION, count_words, fault_words, verdict_words
from ..check.check_text import exploration_words
from ..check.story_text import write_story
from ..check.verdict_table import STYLES

_STYLES = {
    FaultOutcome.BREAKS: "bold red",
    FaultOutcome.UNNOTICED: "yellow",
    FaultOutcome.UNDECIDED: "yellow",
    FaultOutcome.STOPS: "",
    FaultOutcome.PAUSES: "",
    FaultOutcome.HARMLESS: "dim",
}


def write_fault_table(console: Console, table: FaultTable, file: str) -> None:
    """Prints a fault table: its rows by outcome, coverage, definitions, stories of breaks."""
    say_unbroken(console, f"{table.machine} ({file})", style="bold")
    counted = {outcome: [row for row in table.rows if row.outcome is outcome] for outcome in FaultOutcome}
    parts = [f"{outcome.value}: {len(rows)}" for outcome, rows in counted.items() if rows]
    say(console, f"{count_words(len(table.rows), 'single fault')}; {', '.join(parts)}")
    _tick_caution(console, table.tick_caution)
    at = f" AT {format_duration(table.exploration.tick)}" if table.tick_caution else ""
    for outcome, rows in counted.items():
        if rows:
            said = outcome.value.upper() + ("" if outcome is FaultOutcome.UNDECIDED else at)
            section(console, said, style=_STYLES[outcome])
            for row in rows:
                _fault_row(console, row)
    if table.pairs_text:
        section(console, "Two faults at once")
        say(console, table.pairs_text, indent=2)
        for row in table.pairs:
            _fault_row(console, row)
    section(console, "Diagnostic coverage of each input (ISO 13849-1)")
    console.print(_coverage(table))
    _assumptions(console, table.assumptions)
    if table.exclusions:
        section(console, "Faults left out, with the reason given (ISO 13849-2 fault exclusion)")
        for fault, reason in table.exclusions:
            bullet(console, f"{fault}: {reason}")
    for row in (*table.rows, *table.pairs):
        for item in row.breaks:
            if item.story is not None:
                _tell(console, f"BREAK  {item.requirement}  under {row.fault}", item.story)
    section(console, "Explored")
    bullet(console, exploration_words(table.exploration))
    _close(console)


def _fault_row(console: Console, row: FaultRow) -> None:
    say(console, f"{row.fault}: {row.text}", indent=2, hanging=2)


def _coverage(table: FaultTable) -> Table:
    made = _table("input", "dangerous", "stop by themselves", "or at next start", "coverage", "band")
    for item in table.coverage:
        ratio = "-" if item.ratio is None else f"{100 * item.ratio:.0f} %"
        made.add_row(
            item.subject,
            f"{item.dangerous:g}",
            f"{item.detected:g}",
            f"{item.at_next_start:g}",
            ratio,
            item.band,
        )
    return made


def write_layers(console: Console, table: LayerTable, file: str) -> None:
    """Prints which layer carries each hazard requirement."""
    say_unbroken(console, f"{table.machine} ({file})", style="bold")
    count = count_words(len(table.rows), "requirement that names a hazard", "requirements that name a hazard")
    must = " and must withstand a fault" if table.faults else ""
    say(console, f"{count}{must}, judged in three ways, with {fault_words(table.faults)}")
    say(console, "")
    made = _table("requirement", "sequences\nalone", "interlocks\nalone", "both", "carried by")
    for row in table.rows:
        cells = [_word(item, table) for item in (row.sequences, row.interlocks, row.both)]
        made.add_row(row.requirement, *cells, row.carrier.value)
    console.print(made)
    _tick_caution(console, table.tick_caution)
    reasons = {
        item.reason
        for row in table.rows
        for item in (row.sequences, row.interlocks)
        if item.word is Word.UNDECIDED
    }
    if reasons:
        section(console, "Undecided", style=STYLES[Word.UNDECIDED])
        for reason in sorted(reasons):
            bullet(console, reason)
    _assumptions(console, table.assumptions)
    _close(console)


def _word(judgement: Judgement, table: LayerTable) -> Text:
    scan = table.tick if not table.tick_caution else 0
    return Text(verdict_words(judgement.word, table.tick, scan), style=STYLES[judgement.word])


def write_strength(console: Console, result: StrengthList, file: str) -> None:
    """Prints how many weakenings are noticed, and each that is not."""
    say_unbroken(console, f"{result.machine} ({file})", style="bold")
    count = count_words(len(result.weakenings), "weakening")
    said = f"{count}, {result.noticed} noticed by a requirement ({100 * result.share:.1f} %)"
    say(console, f"{said}, at {format_duration(result.tick)}, up to {fault_words(result.faults)}")
    _tick_caution(console, result.tick_caution)
    certain = [item for item in result.unnoticed if item.noticed is False]
    undecided = [item for item in result.unnoticed if item.noticed is None]
    if certain:
        at = f" at {format_duration(result.tick)}" if result.tick_caution else ""
        meaning = "the condition is superfluous, or a requirement is missing"
        section(console, f"Noticed by no requirement{at}: {meaning}")
        _weakenings(console, certain, file)
    if undecided:
        section(console, "Undecided")
        _weakenings(console, undecided, file)
    _assumptions(console, result.assumptions)
    _close(console)


def _weakenings(console: Console, items: Iterable[Weakening], file: str) -> None:
    for item in items:
        reason = f" ({item.reason})" if item.reason else ""
        say_unbroken(console, f"{file}:{item.line}:{item.column}: {item.text}{reason}", indent=2)


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
    _tick_caution(console, result.tick_caution)
    if result.difference is not None:
        _tell(console, "THE SHORTEST WAY TO A DIFFERENCE", result.difference)
    for change in result.verdicts:
        if change.story is not None:
            version = "" if change.new is Word.BROKEN else " (in the old version)"
            _tell(console, f"BROKEN  {change.requirement}{version}", change.story)
    _assumptions(console, result.assumptions)
    _close(console)


def _verdict(word: Word | None) -> str:
    return "not there" if word is None else word.value


# -- shared --------------------------------------------------------------------------------------


def _table(*titles: str) -> Table:
    made = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1))
    for title in titles:
        made.add_column(title, overflow="fold")
    return made


def _tell(console: Console, title: str, story: Story) -> None:
    section(console, title)
    write_story(console, story)


def _tick_caution(console: Console, caution: str) -> None:
    if caution:
        say(console, caution)


def _assumptions(console: Console, assumptions: Iterable[str]) -> None:
    section(console, "Definitions and assumptions")
    for item in assumptions:
        bullet(console, item)


def _close(console: Console) -> None:
    say(console, "")
    say(console, CAUTION)
