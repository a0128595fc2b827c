"""A table of layers as text for a terminal and as JSON, and the schema that says what each field is."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.text import Text

from stillgate.controller.expressions.durations import format_duration
from stillgate.interlocks.results.layer_rows import Carrier, LayerTable
from stillgate.interlocks.results.verdict import Judgement, Word

from ...console.answers import at_a_tick, write_answer
from ...console.columns import aligned
from ...console.prose import bullet, say, say_unbroken, section
from ...console.words import MOST_NAMED, count_words, fault_words, listed
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
    write_assumptions,
    write_caution,
    write_tick_caution,
)

FEW = 3
"""Requirements that an answer names."""


def write_layers(console: Console, table: LayerTable, file: str) -> None:
    """Prints which layer carries each hazard requirement."""
    _answer(console, table)
    at = format_duration(table.tick)
    say_unbroken(console, f"{file}, at {at}, with {fault_words(table.faults)}, judged in three ways")
    if table.rows:
        say(console, "")
        rows = [
            [
                Text(row.requirement),
                *(_word(item) for item in (row.sequences, row.interlocks, row.both)),
                Text(row.carrier.value),
            ]
            for row in table.rows
        ]
        head = ("requirement", "sequences", "interlocks", "both", "carried by")
        console.print(aligned(head, rows, console.width), soft_wrap=True)
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


def _answer(console: Console, table: LayerTable) -> None:
    """Whether both layers together carry all, then what each carries."""
    carried = {carrier: [row for row in table.rows if row.carrier is carrier] for carrier in Carrier}
    total = count_words(len(table.rows), "requirement that names a hazard", "requirements that name a hazard")
    must = " and must withstand a fault" if table.faults else ""
    about = f"{total}{must}"
    if not table.rows:
        write_answer(console, "NOTHING ASKED", f"{table.machine}: no requirement names a hazard{must}")
        return
    word, missing = Word.HOLDS, []
    for carrier, bad in ((Carrier.UNDECIDED, Word.UNDECIDED), (Carrier.NONE, Word.BROKEN)):
        if carried[carrier]:
            word, missing = bad, carried[carrier]
    if word is Word.HOLDS and table.tick_caution:
        word = Word.UNDECIDED
    if missing:
        about = f"{len(missing)} of {about}: {listed([row.requirement for row in missing], MOST_NAMED)}"
    elif word is Word.UNDECIDED:
        about += " judged, and a tick longer than the scan decides nothing"
    write_answer(
        console,
        word.value.upper(),
        f"{table.machine}: {about}",
        style=STYLES[word],
        tick=at_a_tick(table.tick, table.tick_caution) if word is Word.BROKEN else "",
    )
    parts = []
    for carrier in (Carrier.EITHER, Carrier.SEQUENCES, Carrier.INTERLOCKS, Carrier.BOTH):
        if names := [row.requirement for row in carried[carrier]]:
            which = f" ({', '.join(names)})" if len(names) <= FEW and carrier is not Carrier.EITHER else ""
            parts.append(f"{carrier.value} {len(names)}{which}")
    if parts:
        say(console, f"carried by: {', '.join(parts)}", hanging=2)


def _word(judgement: Judgement) -> Text:
    return Text(judgement.word.value, style=STYLES[judgement.word])  # the tick is said once, above


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
    method=text("How it was found, where not by a search: nothing here."),
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
