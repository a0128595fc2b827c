"""A diagnosis as text and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Console

from stillgate.controller.execution.reasons import join_words
from stillgate.controller.expressions.durations import format_moment
from stillgate.interlocks.diagnosis.diagnosability import InseparableFaults
from stillgate.interlocks.diagnosis.diagnosis_text import begun_words, refuted_words, span_words
from stillgate.interlocks.diagnosis.explanations import Diagnosis, Refuted
from stillgate.interlocks.diagnosis.test_selection import NextTest
from stillgate.sim_io.logs.log import EXACT, RowMeaning

from ...console.prose import bullet, say, say_unbroken, section
from ...console.words import count_words
from ..exchange.schema_words import DRAFT, Schema, closed, many, perhaps, text, truth, whole
from .agreement import untold_words

CAUTION = (
    "A diagnosis compares a log with the model of the machine file: the single faults it knows, the "
    "parts as the file describes them. What is not modelled is not found. Local codes, and a licensed or "
    "otherwise competent person, decide what may be done with the machine."
)
SHOWN = 12
"""Refutations and survivors that the text lists unless asked for all."""


def write_diagnosis(
    console: Console,
    found: Diagnosis,
    tests: Sequence[NextTest],
    alike: Sequence[InseparableFaults],
    *,
    log: str,
    everything: bool,
) -> None:
    """The diagnosis for a person: the answer first, then what to do next, then why not the others."""
    span = span_words(found.begins, found.scans, found.period)
    total = len(found.survivors) + len(found.not_begun) + len(found.refuted)
    say_unbroken(console, f"{log}: {span}, {count_words(total, 'hypothesis', 'hypotheses')}", style="bold")
    _answer(console, found, everything=everything)
    if found.parted_at_first:
        section(console, "THE LOG MAY BEGIN IN MID-RUN")
        say(
            console,
            "Its first states or outputs are not those of a controller that has just been switched on. The "
            "diagnosis takes the recorded ones, and lets the parts stand anywhere at first.",
            indent=2,
        )
    elif found.parted is not None:
        section(console, "THE CONTROLLER DID WHAT THE FILE DOES NOT SAY")
        say(
            console,
            f"From {format_moment(found.parted * found.period)} on recorded states or outputs differ from "
            "those of the machine file. The diagnosis takes the recorded ones; stillgate replay shows "
            "the difference.",
            indent=2,
        )
        if not found.parted_sure:
            say(
                console,
                "Not everything before was known: the log is not known to begin at power-on, or inputs were "
                "unknown for a while. So the difference may come from that.",
                indent=2,
            )
    if not found.healthy and len(found.survivors) > 1 and found.timing != EXACT:
        section(console, "What to do next to tell them apart")
        say(
            console,
            "This log says too little to choose a measurement by. Record every change, or every scan, while "
            "the machine does again what it did here.",
            indent=2,
        )
    elif not found.healthy and len(found.survivors) > 1:
        section(console, "What to do next to tell them apart")
        for item in tests:
            _test(console, item)
        if not tests:
            say(console, "No single action or measurement that was tried tells them apart.", indent=2)
    _alike(console, alike)
    _refuted(console, found, everything=everything)
    _silent(console, found)
    say(console, "")
    say(console, CAUTION)


def _silent(console: Console, found: Diagnosis) -> None:
    """Inputs and outputs that the log does not hold."""
    if found.unobserved:
        section(console, "Not in the log, so nothing was concluded from them")
        say(console, ", ".join(found.unobserved), indent=2)
        if not found.from_power_on:
            say(
                console,
                "Where a log begins at power-on, outputs follow from its inputs: if this one does, say "
                "'begins: at power-on' in the column map.",
                indent=2,
            )
    if found.computed:
        section(console, "Not in the log, but computed from its inputs")
        say(console, ", ".join(found.computed), indent=2)


def _answer(console: Console, found: Diagnosis, *, everything: bool) -> None:
    if not found.survivors:
        section(console, "NONE OF THE MODELLED FAULTS EXPLAINS THIS LOG")
        fallen = [item for item in found.refuted if item.contradiction is not None] or list(found.refuted)
        last = fallen[-1]
        say(
            console,
            f"The last hypothesis, '{last.hypothesis.name}', fell when {refuted_words(last, found.period)}. "
            "Either several things are wrong at once, or the parts of the machine file are not like the "
            "machine (times too narrow, a motion that is missing).",
            indent=2,
        )
        return
    if found.healthy:
        others = len(found.survivors) - 1
        if found.timing == EXACT:
            section(console, "The log can be explained without any fault")
        else:
            section(console, "Whether anything is wrong cannot be told from this log")
            said = untold_words(found.timing)
            say(console, f"A healthy machine may have written it, so no fault is named: {said}", indent=2)
        if others:
            say(
                console,
                f"{count_words(others, 'fault')} would not have shown yet and cannot be ruled out by it.",
                indent=2,
            )
        if found.not_begun:
            say(console, f"{count_words(len(found.not_begun), 'fault')} would have shown by now.", indent=2)
        say(
            console,
            "If it stopped, look at what happened before (stillgate replay): perhaps it was asked to.",
            indent=2,
        )
        if not everything:
            return
    elif len(found.survivors) == 1:
        section(console, "One fault explains the log")
    else:
        section(
            console,
            f"{count_words(len(found.survivors), 'fault')} would explain the log, one of them is enough",
        )
    shown = found.survivors if everything else found.survivors[:SHOWN]
    for item in shown:
        when = begun_words(item.begun, found.period)
        lost = "" if item.lost_track is None else " (too many situations: not followed to the end)"
        bullet(console, f"{item.hypothesis.name}{f', {when}' if when else ''}{lost}")
    if len(shown) < len(found.survivors):
        bullet(console, f"... and {len(found.survivors) - len(shown)} more (--all)")


def _alike(console: Console, alike: Sequence[InseparableFaults]) -> None:
    if not alike:
        return
    section(console, "What no log will ever tell apart (proved for this machine file)")
    for item in alike:
        others = join_words(list(item.others), "or")
        bullet(console, f"if it is {item.true}, nothing that a log shows can rule out {others}")


def _test(console: Console, item: NextTest) -> None:
    bullet(console, item.words)
    for value, names in item.outcomes:
        say(console, f"if it is {value}: {join_words(list(names), 'or')}", indent=6, hanging=2)
    how = ", by trials in the simulation" if item.sampled else ""
    share = f"{100 * item.splits:.0f} % of the others are expected to be ruled out by it{how}"
    say(console, share, indent=6, hanging=2)


def _refuted(console: Console, found: Diagnosis, *, everything: bool) -> None:
    if not found.refuted:
        return
    section(console, "Ruled out, and by what")
    groups: dict[str, list[Refuted]] = {}
    for item in found.refuted:
        groups.setdefault(refuted_words(item, found.period), []).append(item)
    by_weight = sorted(groups.items(), key=lambda pair: -len(pair[1]))
    for words, items in by_weight if everything else by_weight[:SHOWN]:
        names = [item.hypothesis.name for item in items]
        few = names if everything or len(names) <= 6 else [*names[:5], f"{len(names) - 5} more"]
        bullet(console, f"{', '.join(few)}: {words}")
    if not everything and len(groups) > SHOWN:
        bullet(console, f"... and {len(groups) - SHOWN} more reasons (--all)")


def diagnosis_document(
    found: Diagnosis, tests: Sequence[NextTest], alike: Sequence[InseparableFaults], log: str
) -> dict[str, Any]:
    """The JSON document; times are in milliseconds since the log's start."""
    period = found.period

    def moment(scan: int | None) -> int | None:
        return None if scan is None else scan * period

    return {
        "format": "stillgate diagnosis 1",
        "log": log,
        "begins": moment(found.begins),
        "length": (found.scans - found.begins) * period,
        "healthy": found.healthy,
        "survivors": [
            {
                "name": item.hypothesis.name,
                "needed": item.needed,
                "began": None
                if item.begun is None
                else {"earliest": moment(item.begun[0]), "latest": moment(item.begun[1])},
                "followed_until": moment(item.lost_track),
            }
            for item in found.survivors
        ],
        "not_begun": [item.name for item in found.not_begun],
        "refuted": [
            {"name": item.hypothesis.name, "at": moment(item.scan), "why": refuted_words(item, period)}
            for item in found.refuted
        ],
        "inseparable": [{"if": item.true, "never_ruled_out": list(item.others)} for item in alike],
        "parted": moment(found.parted),
        "parted_at_first": found.parted_at_first,
        "parted_sure": found.parted_sure,
        "rows": found.timing.meaning.value,
        "accuracy": found.timing.accuracy,
        "unobserved": list(found.unobserved),
        "computed": list(found.computed),
        "next": [
            {
                "do": item.words,
                "expected_share_ruled_out": round(item.splits, 4),
                "sampled": item.sampled,
                "outcomes": [{"seen": value, "left": list(names)} for value, names in item.outcomes],
            }
            for item in tests
        ],
        "caution": CAUTION,
    }


DIAGNOSIS: Schema = {
    "$schema": DRAFT,
    "title": "Output of stillgate diagnose --format json",
    **closed(
        "Which faults explain a log; times are in milliseconds since its start.",
        format=text("Name and number of this format."),
        log=text("The log as named on the command line."),
        begins=whole("Where the log begins to say something; 0 where it begins at power-on."),
        length=whole("Length of the log."),
        healthy=truth(
            "Whether no fault is needed to explain it; where rows are samples, or their times not exact, it "
            "then cannot be told whether anything is wrong."
        ),
        survivors=many(
            "What agrees with everything recorded, the best pinned down first.",
            closed(
                "One hypothesis.",
                name=text("The fault, or 'nothing wrong'."),
                needed={"type": "boolean", "description": "Whether some fault is needed."},
                began=perhaps(
                    closed(
                        "When it may have begun; negative: before the log.",
                        earliest=whole("Earliest.", None),
                        latest=whole("Latest.", None),
                    )
                ),
                followed_until=perhaps(whole("Where it had too many situations to be followed on.")),
            ),
        ),
        not_begun={
            "type": "array",
            "description": "Where no fault is needed: faults that would have shown by now.",
            "items": {"type": "string"},
        },
        refuted=many(
            "What the log rules out, in the order in which it fell.",
            closed(
                "One hypothesis.",
                name=text("The fault, or 'nothing wrong'."),
                at=whole("When it fell."),
                why=text("The observation that it cannot explain."),
            ),
        ),
        inseparable=many(
            "Survivors that no continuation of the log can tell apart, as far as it is proved.",
            closed(
                "If one survivor is the true one.",
                **{"if": text("That survivor.")},
                never_ruled_out={
                    "type": "array",
                    "description": "Survivors that nothing a log shows can then rule out.",
                    "items": {"type": "string"},
                },
            ),
        ),
        parted=perhaps(whole("When the controller first did what the machine file does not say.")),
        parted_at_first=truth("Whether that is where the log begins; it may begin in mid-run."),
        parted_sure=truth("Whether everything before it was known, from power-on on."),
        rows=text("What the rows of the log are.", *(item.value for item in RowMeaning)),
        accuracy=whole("How far a row may be from its scan."),
        unobserved={
            "type": "array",
            "description": "Signals the log says nothing about.",
            "items": {"type": "string"},
        },
        computed={
            "type": "array",
            "description": "Outputs the log says nothing about, but which follow from its inputs.",
            "items": {"type": "string"},
        },
        next=many(
            "What to do next to tell the survivors apart, the better first.",
            closed(
                "One test.",
                do=text("What to do."),
                expected_share_ruled_out={"type": "number", "description": "0 to 1."},
                sampled={"type": "boolean", "description": "Found by trials, not by counting."},
                outcomes=many(
                    "What may be seen.",
                    closed(
                        "One outcome.",
                        seen=text("What is seen."),
                        left={
                            "type": "array",
                            "description": "What is then left.",
                            "items": {"type": "string"},
                        },
                    ),
                ),
            ),
        ),
        caution=text("What a diagnosis is not."),
    ),
}
