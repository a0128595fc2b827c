"""A table of layers as text for a terminal and as JSON, and the schema that says what each field is."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.text import Text

from stillgate.interlocks.results.layer_rows import Carrier, LayerTable
from stillgate.interlocks.results.verdict import Judgement, Word

from ...console.prose import bullet, say, say_unbroken, section
from ...console.words import count_words, fault_words, verdict_words
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
    FILE,
    MACHINE,
    SECONDS,
    SHORTEST_WAY,
    analysis_document,
    plain_table,
    write_assumptions,
    write_caution,
    write_tick_caution,
)


def write_layers(console: Console, table: LayerTable, file: str) -> None:
    """Prints which layer carries each hazard requirement."""
    say_unbroken(console, f"{table.machine} ({file})", style="bold")
    count = count_words(len(table.rows), "requirement that names a hazard", "requirements that name a hazard")
    must = " and must withstand a fault" if table.faults else ""
    say(console, f"{count}{must}, judged in three ways, with {fault_words(table.faults)}")
    say(console, "")
    made = plain_table("requirement", "sequences\nalone", "interlocks\nalone", "both", "carried by")
    for row in table.rows:
        cells = [_word(item, table) for item in (row.sequences, row.interlocks, row.both)]
        made.add_row(row.requirement, *cells, row.carrier.value)
    console.print(made)
    write_tick_caution(console, table.tick_caution)
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
    write_assumptions(console, table.assumptions)
    write_caution(console)


def _word(judgement: Judgement, table: LayerTable) -> Text:
    scan = table.tick if not table.tick_caution else 0
    return Text(verdict_words(judgement.word, table.tick, scan), style=STYLES[judgement.word])


def layers_document(table: LayerTable, file: str) -> dict[str, Any]:
    """The JSON document of a table of layers."""
    return analysis_document("stillgate layers 1", table, file)


# -- schema ----------------------------------------------------------------------------------------

_JUDGEMENT = closed(
    "A verdict.",
    word=text("The verdict.", *WORD),
    faults=whole("Faults at once."),
    tick=whole("Period it was found at, in ms."),
    depth=perhaps(whole("Ticks of the break, or how far an undecided search got.")),
    story=SHORTEST_WAY,
    reason=text("Why undecided."),
    left_out=many("What was left out of the search that judged it: nothing here.", text("A name.")),
)

LAYERS = closed(
    "Which layer carries each hazard requirement.",
    format=text("Name and version of this form."),
    file=FILE,
    machine=MACHINE,
    faults=whole("Faults at once."),
    tick=whole("Period of the search."),
    rows=many(
        "One row a requirement that names a hazard.",
        closed(
            "One requirement.",
            requirement=text("Its name."),
            hazard=text("Its hazard."),
            sequences=_JUDGEMENT,
            interlocks=_JUDGEMENT,
            both=_JUDGEMENT,
            carrier=text("Which layer carries it.", *(item.value for item in Carrier)),
            text=text("The same in a sentence."),
        ),
    ),
    assumptions=ASSUMPTIONS,
    seconds=SECONDS,
    tick_caution=TICK_CAUTION,
    caution=CAUTION_TEXT,
)
