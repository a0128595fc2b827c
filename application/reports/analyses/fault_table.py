"""A fault table as text for a terminal and as JSON, and the schema that says what each field is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.table import Table

from stillgate.controller.expressions.durations import format_duration
from stillgate.diagrams.matrices.table import Table as Matrix
from stillgate.interlocks.results.fault_table_rows import (
    MEANING,
    NEEDS_TEST,
    Coverage,
    FaultOutcome,
    FaultRow,
    FaultTable,
)

from ...console.prose import bullet, say, say_unbroken, section
from ...console.words import count_words
from ..check.check_text import exploration_words
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
    EXPLORED,
    FILE,
    MACHINE,
    SECONDS,
    SHORTEST_WAY,
    analysis_document,
    plain_table,
    tell_story,
    write_assumptions,
    write_caution,
    write_tick_caution,
)
from .fault_matrix import matrix_of_faults

_STYLES = {FaultOutcome.BREAKS: "bold red", **dict.fromkeys((FaultOutcome.UNDECIDED, *NEEDS_TEST), "yellow")}


def write_fault_table(console: Console, table: FaultTable, file: str) -> None:
    """Prints a fault table: a matrix, the rows by outcome, coverage, definitions, stories of breaks."""
    say_unbroken(console, f"{table.machine} ({file})", style="bold")
    counted = {outcome: [row for row in table.rows if row.outcome is outcome] for outcome in FaultOutcome}
    parts = [f"{outcome.value}: {len(rows)}" for outcome, rows in counted.items() if rows]
    say(console, f"{count_words(len(table.rows), 'single fault')}; {', '.join(parts)}")
    write_tick_caution(console, table.tick_caution)
    section(console, "At a glance, each signal stuck on and stuck off")
    _write_matrix(console, matrix_of_faults(table))
    at = f" AT {format_duration(table.exploration.tick)}" if table.tick_caution else ""
    for outcome, rows in counted.items():
        if rows:
            said = outcome.value.upper() + ("" if outcome is FaultOutcome.UNDECIDED else at)
            section(console, said, style=_STYLES.get(outcome, ""))
            say(console, _sentence(MEANING[outcome]), indent=2)
            _fault_rows(console, rows, indent=4)
    if table.pairs_text:
        section(console, "Two faults at once")
        say(console, table.pairs_text, indent=2)
        _fault_rows(console, table.pairs)
    if table.coverage:
        section(console, "Diagnostic coverage by the declared rates (ISO 13849-1)")
        _write_coverage(console, table.coverage)
    write_assumptions(console, table.assumptions)
    if table.exclusions:
        section(console, "Faults left out, with the reason given (ISO 13849-2 fault exclusion)")
        for fault, reason in table.exclusions:
            bullet(console, f"{fault}: {reason}")
    for row in (*table.rows, *table.pairs):
        for item in row.breaks:
            if item.story is not None:
                tell_story(console, f"BREAK  {item.requirement}  under {row.fault}", item.story)
    section(console, "Explored")
    bullet(console, exploration_words(table.exploration))
    write_caution(console)


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}."


def _write_matrix(console: Console, matrix: Matrix) -> None:
    made = plain_table()
    made.add_column(matrix.head[0], no_wrap=True)
    for title in matrix.head[1:]:
        made.add_column(title)
    for cells in matrix.rows:
        made.add_row(*cells)
    console.print(made)
    for note in matrix.notes:
        say(console, note, indent=2, hanging=2)


def _fault_rows(console: Console, rows: Sequence[FaultRow], indent: int = 2) -> None:
    """Each fault with what it leads to; those of which nothing is known but the same, in one sentence."""
    open_for: dict[str, list[str]] = {}
    for row in rows:
        if row.outcome is FaultOutcome.UNDECIDED:
            open_for.setdefault(row.text, []).append(row.fault)
        else:
            say(console, f"{row.fault}: {row.text}", indent=indent, hanging=2)
    for words, faults in open_for.items():
        say(console, f"{', '.join(faults)}: {words}", indent=indent, hanging=2)


def _write_coverage(console: Console, coverage: Sequence[Coverage]) -> None:
    known = [item for item in coverage if not item.is_open]
    if known:
        console.print(_coverage(known))
    if len(known) < len(coverage):
        names = ", ".join(item.subject for item in coverage if item.is_open)
        say(console, f"Not known, since of some fault it is not known what it leads to: {names}", indent=2)


def _coverage(known: Sequence[Coverage]) -> Table:
    made = plain_table("signal", "dangerous", "stop the machine", "or at next start", "coverage", "band")
    for item in known:
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


def fault_table_document(table: FaultTable, file: str) -> dict[str, Any]:
    """The JSON document of a fault table; every time in it is in milliseconds."""
    return analysis_document("stillgate fault table 2", table, file)


# -- schema ----------------------------------------------------------------------------------------

_FAULT_ROW = closed(
    "What one fault leads to.",
    fault=text("The fault, as exclusions and stories name it."),
    kind=text("What sort of fault."),
    subject=text("The input or output; empty for the power supply."),
    outcome=text("The first that fits.", *(item.value for item in FaultOutcome)),
    text=text("The outcome in one sentence."),
    breaks=many(
        "Requirements that it breaks; those that count first.",
        closed(
            "One of them.",
            requirement=text("Name of the requirement."),
            hazard=perhaps(text("The hazard it belongs to.")),
            counts=truth("Whether the requirement must withstand a fault."),
            depth=whole("Ticks of the way told: a shortest one, unless it was found over sets of times."),
            story=SHORTEST_WAY,
        ),
    ),
    stop_time=perhaps(
        whole("Longest time from the fault's beginning until all stands for good, if it must.")
    ),
    stop_at_most=truth("The longest time may be less than stop_time, and is never more."),
    next_start=truth(
        "The machine need not stop, but cannot for ever stop and start again; false, too, if not found out."
    ),
    can_hold_on=perhaps(
        truth("Its first difference can be an output with a hazard that is on and would be off.")
    ),
    stop_once_shown=perhaps(
        whole(
            "Longest time until all stands for good, from where the signal should first be otherwise than it "
            "is stuck; only where the machine need not stop before."
        )
    ),
    stay_off=many("Outputs that surely stay off as long as it lasts.", text("An output.")),
    not_again=many(
        "Outputs that surely are not asked for again once nothing asks for them.", text("An output.")
    ),
    channels=many(
        "Inputs that alone still do what this one would; outputs that alone still keep off what it drives.",
        text("An input or output."),
    ),
    situations=perhaps(
        whole("Reachable situations with this fault; null where sets of times were searched.")
    ),
)

FAULT_TABLE = closed(
    "A fault table.",
    format=text("Name and version of this form."),
    file=FILE,
    machine=MACHINE,
    rows=many("One row a single fault.", _FAULT_ROW),
    coverage=many(
        "Diagnostic coverage (ISO 13849-1) of each signal of which dangerous failures were declared.",
        closed(
            "One signal.",
            subject=text("The input or output."),
            dangerous=number("Rate of its declared dangerous failures."),
            detected=number("Of these, rate of those that stop the machine, at once or once they show."),
            at_next_start=number("Of these, rate of those noticed then or at the next start."),
            ratio=perhaps(number("Detected divided by dangerous.")),
            ratio_at_next_start=perhaps(number("The same with those noticed at the next start.")),
            band=text("Band of ISO 13849-1.", "none", "low", "medium", "high", "-"),
            text=text("The same in a sentence."),
        ),
    ),
    assumptions=ASSUMPTIONS,
    exclusions=many(
        "Faults left out, with the reason given.",
        closed("One of them.", fault=text("The fault."), why=text("The reason.")),
    ),
    exploration={**EXPLORED, "description": "What the search covered."},
    seconds=SECONDS,
    tick_caution=TICK_CAUTION,
    pairs=many("Rows of two faults at once, where asked for.", _FAULT_ROW),
    pairs_text=text("What was covered of the pairs."),
    pairs_undecided=whole("Pairs whose search was cut short or never begun."),
    caution=CAUTION_TEXT,
)
