"""Fault table, layers, strength and comparison as JSON, and the schemas that say what each field is."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

from stillgate.interlocks.results.comparison import Comparison
from stillgate.interlocks.results.fault_table_rows import FaultOutcome, FaultTable
from stillgate.interlocks.results.layer_rows import Carrier, LayerTable
from stillgate.interlocks.results.verdict import Story
from stillgate.interlocks.results.weakenings import StrengthList, WeakeningKind

from ...console.words import CAUTION
from ..check.check_json import story_document
from ..exchange.schema_words import (
    CHECK,
    STORY,
    TICK_CAUTION,
    WORD,
    closed,
    many,
    number,
    perhaps,
    text,
    truth,
    whole,
)


def fault_table_document(table: FaultTable, file: str) -> dict[str, Any]:
    """The JSON document of a fault table; every time in it is in milliseconds."""
    return _document("stillgate fault table 1", table, file)


def layers_document(table: LayerTable, file: str) -> dict[str, Any]:
    """The JSON document of a table of layers."""
    return _document("stillgate layers 1", table, file)


def strength_document(result: StrengthList, file: str) -> dict[str, Any]:
    """The JSON document of a list of weakenings."""
    document = _document("stillgate strength 1", result, file)
    caution = document.pop("caution")
    return {**document, "noticed": result.noticed, "share": round(result.share, 4), "caution": caution}


def comparison_document(result: Comparison) -> dict[str, Any]:
    """The JSON document of a comparison."""
    return {"format": "stillgate compare 1", **_plain(result), "caution": CAUTION}


def _document(form: str, value: Any, file: str) -> dict[str, Any]:
    return {"format": form, "file": file, **_plain(value), "caution": CAUTION}


def _plain(value: Any) -> Any:
    match value:
        case Story():
            return story_document(value)
        case Enum():
            return value.value
        case float():
            return round(value, 4)
        case tuple() if value and all(isinstance(item, tuple) and len(item) == 2 for item in value):
            return [{"fault": name, "why": why} for name, why in value]
        case tuple():
            return [_plain(item) for item in value]
        case _ if is_dataclass(value):
            return {item.name: _plain(getattr(value, item.name)) for item in fields(value)}
        case _:
            return value


# -- schemas ---------------------------------------------------------------------------------------

_EXPLORED = CHECK["properties"]["exploration"]["items"]
_FILE = text("Name of the machine file as given.")
_MACHINE = text("The machine's name.")
_ASSUMPTIONS = many("Definitions and assumptions behind every row.", text("One of them."))
_CAUTION = text("What this result is not.")
_SECONDS = number("Time it took, in seconds.")
_STORY = perhaps({**STORY, "description": "The shortest way there, or null."})
_EXPLORATION = perhaps({**_EXPLORED, "description": "What the search covered, or null if it was ended."})

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
            story=_STORY,
        ),
    ),
    stop_time=perhaps(
        whole("Longest time from the fault's beginning until all stands for good, if it must.")
    ),
    stop_at_most=truth("The longest time may be less than stop_time, and is never more."),
    next_start=truth(
        "The machine need not stop, but cannot for ever stop and start again; false, too, if not found out."
    ),
    dangerous=perhaps(truth("Its first difference can be an output with a hazard that would be off.")),
    situations=perhaps(
        whole("Reachable situations with this fault; null where sets of times were searched.")
    ),
)

FAULT_TABLE = closed(
    "A fault table.",
    format=text("Name and version of this form."),
    file=_FILE,
    machine=_MACHINE,
    rows=many("One row a single fault.", _FAULT_ROW),
    coverage=many(
        "Diagnostic coverage of each input (ISO 13849-1).",
        closed(
            "One input.",
            subject=text("The input."),
            dangerous=number("Rate of its dangerous faults."),
            detected=number("Of these, rate of those that stop the machine by themselves."),
            at_next_start=number("Of these, rate of those noticed then or at the next start."),
            ratio=perhaps(number("Detected divided by dangerous.")),
            ratio_at_next_start=perhaps(number("The same with those noticed at the next start.")),
            band=text("Band of ISO 13849-1.", "none", "low", "medium", "high", "-"),
            text=text("The same in a sentence."),
        ),
    ),
    assumptions=_ASSUMPTIONS,
    exclusions=many(
        "Faults left out, with the reason given.",
        closed("One of them.", fault=text("The fault."), why=text("The reason.")),
    ),
    exploration={**_EXPLORED, "description": "What the search covered."},
    seconds=_SECONDS,
    tick_caution=TICK_CAUTION,
    pairs=many("Rows of two faults at once, where asked for.", _FAULT_ROW),
    pairs_text=text("What was covered of the pairs."),
    pairs_undecided=whole("Pairs whose search was cut short or never begun."),
    caution=_CAUTION,
)

_JUDGEMENT = closed(
    "A verdict.",
    word=text("The verdict.", *WORD),
    faults=whole("Faults at once."),
    tick=whole("Period it was found at, in ms."),
    depth=perhaps(whole("Ticks of the break, or how far an undecided search got.")),
    story=_STORY,
    reason=text("Why undecided."),
)

LAYERS = closed(
    "Which layer carries each hazard requirement.",
    format=text("Name and version of this form."),
    file=_FILE,
    machine=_MACHINE,
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
    assumptions=_ASSUMPTIONS,
    seconds=_SECONDS,
    tick_caution=TICK_CAUTION,
    caution=_CAUTION,
)

STRENGTH = closed(
    "Every weakening of a machine file.",
    format=text("Name and version of this form."),
    file=_FILE,
    machine=_MACHINE,
    tick=whole("Period of the searches."),
    faults=whole("Largest number of faults at once."),
    weakenings=many(
        "In the order of the file.",
        closed(
            "One weakening.",
            kind=text("How it is weakened.", *(item.value for item in WeakeningKind)),
            place=text("What is weakened."),
            subject=text("The condition or time."),
            text=text("The weakening in one line."),
            line=whole("Line of the machine file."),
            column=whole("Column of the machine file."),
            noticed=perhaps(truth("Whether a requirement notices it; null if that is undecided.")),
            by=text("The requirement that breaks."),
            faults=whole("Faults it takes to notice it."),
            fault=text("The fault under which it was noticed."),
            depth=perhaps(whole("Ticks of the break that was found.")),
            reason=text("Why it is undecided."),
            equivalent=truth("Shown never to change anything."),
        ),
    ),
    assumptions=_ASSUMPTIONS,
    seconds=_SECONDS,
    tick_caution=TICK_CAUTION,
    noticed=whole("How many are noticed."),
    share=number("Part that is noticed, 0 to 1."),
    caution=_CAUTION,
)

COMPARE = closed(
    "Two versions of a machine file.",
    format=text("Name and version of this form."),
    old=text("The old file."),
    new=text("The new file."),
    old_digest=text("SHA-256 of the old file."),
    new_digest=text("SHA-256 of the new file."),
    changes=many(
        "What changed, in the order of the file's sections.",
        closed(
            "One change.",
            section=text("Section of the file."),
            subject=text("What it is about."),
            text=text("The change in words."),
            old_line=perhaps(whole("Line of the old file.")),
            new_line=perhaps(whole("Line of the new file.")),
        ),
    ),
    verdicts=many(
        "Requirements whose verdicts differ.",
        closed(
            "One requirement.",
            requirement=text("Its name."),
            old=perhaps(text("Verdict in the old version; null if it is not there.", *WORD)),
            new=perhaps(text("Verdict in the new version; null if it is not there.", *WORD)),
            story=_STORY,
        ),
    ),
    outputs=text(
        "'holds' if the outputs never differ, 'not broken' if that was found at a longer tick than the scan "
        "and so decides nothing, 'broken' if they differ.",
        *WORD,
    ),
    outputs_text=text("What was found out about the outputs, in a sentence."),
    difference=_STORY,
    differing=many("Outputs that differ at the end of that way.", text("An output.")),
    exploration=_EXPLORATION,
    assumptions=_ASSUMPTIONS,
    seconds=_SECONDS,
    tick_caution=TICK_CAUTION,
    caution=_CAUTION,
)
