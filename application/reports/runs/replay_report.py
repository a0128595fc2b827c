"""A replay, and the reason of an output, as text and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from stillgate.controller.execution.reasons import Clause
from stillgate.controller.expressions.durations import format_moment
from stillgate.controller.machine_file.contact_words import level_of_contact
from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.diagnosis.diagnosis_text import span_words
from stillgate.interlocks.replay.output_explanation import Why
from stillgate.interlocks.replay.replay_results import Divergence, LogReplay, ReplayEvent
from stillgate.sim_io.logs.log import EXACT, RowMeaning

from ...console.prose import bullet, say, say_unbroken, section
from ...console.terminal import printable
from ...console.words import count_words
from ..exchange.schema_words import DRAFT, Schema, closed, many, perhaps, text, truth, whole
from .agreement import doubt_words, write_agreement
from .replay_words import replay_event_words, value_words

CAUTION = (
    "A replay runs the logic of the machine file on recorded inputs; it says nothing about what the log "
    "does not hold. Local codes, and a licensed or otherwise competent person, decide what may be done "
    "with the machine."
)


def write_replay(
    console: Console,
    found: LogReplay,
    *,
    machine: Machine,
    log: str,
    shown: Sequence[ReplayEvent],
    why: Why | None,
    divergence_why: Sequence[Why],
) -> None:
    """The replay for a person: where log and logic part and what was broken, then the timeline."""
    span = span_words(found.begins, found.scans, found.period)
    scans = count_words(found.scans - found.begins, "scan")
    say_unbroken(console, f"{log}: {span}, {scans}, {count_words(found.happenings, 'change')}", style="bold")
    if why is not None:
        _why(console, why)
    _divergence(console, found, divergence_why)
    _broken(console, found)
    _timeline(console, machine, found, shown)
    _assumed(console, machine, found)
    say(console, "")
    say(console, CAUTION)


def _divergence(console: Console, found: LogReplay, reasons: Sequence[Why]) -> None:
    if found.divergence is None:
        if found.compared:
            names = count_words(
                len(found.compared),
                "recorded state, memory or output",
                "recorded states, memories and outputs",
            )
            write_agreement(console, found, names)
        else:
            section(console, "Nothing to compare: the log holds inputs only", style="")
        return
    when = format_moment(found.divergence.time)
    if found.divergence.sure:
        section(console, f"LOG AND LOGIC PART at {when}")
    else:
        section(console, f"LOG AND LOGIC DIFFER from {when} on; whether they part cannot be told")
    for signal, recorded, computed in found.divergence.differences:
        said, ours = value_words(signal, recorded), value_words(signal, computed)
        say(console, f"{signal[1]}: the log says {said}, the machine file gives {ours}", indent=2)
    for item in reasons:
        for line in item.reason.lines():
            say_unbroken(console, line, indent=4)
    doubt = doubt_words(found.divergence)
    if doubt:
        say(console, doubt, indent=2)
    say(
        console,
        "From there on the replay follows the machine file. Either the processor runs another version of the "
        "file, or it lost or saw something that the log does not hold.",
        indent=2,
    )


def _broken(console: Console, found: LogReplay) -> None:
    if found.broken:
        section(console, "BROKEN on the way")
        latest = "" if found.timing == EXACT else " at the latest"
        for item in found.broken[:50]:
            say(console, f"at {format_moment(item.time)}{latest}: {item.name}", indent=2)
        if len(found.broken) > 50:
            say(console, f"... and {len(found.broken) - 50} more", indent=2)
    elif found.judged:
        section(console, f"No requirement broken, of {len(found.judged)} that a log can judge", style="")


def _timeline(console: Console, machine: Machine, found: LogReplay, shown: Sequence[ReplayEvent]) -> None:
    if not shown:
        return
    left = found.happenings - len(shown)
    section(
        console,
        "What happened"
        + (f" ({count_words(left, 'change')} not shown; --from, --to, --last)" if left else ""),
    )
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, show_header=False)
    table.add_column(justify="right", no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column()
    last = None
    for item in shown:
        time = format_moment(item.time) if item.time != last else ""
        last = item.time
        table.add_row(
            time,
            Text(item.signal[0].value, style="dim"),
            Text(printable(replay_event_words(machine, item))),
        )
    console.print(table)


def _assumed(console: Console, machine: Machine, found: LogReplay) -> None:
    lines = []
    if found.assumed:
        levels = ", ".join(
            f"{name} {level_of_contact(machine.inputs[name].contact, bool(level))}"
            for name, level in found.assumed
        )
        lines.append(
            f"The log does not hold these inputs; they were taken to stay as if untouched: {levels}."
        )
    if found.unknown:
        lines.append(
            f"Became unknown on the way and were taken to stay as they were: {', '.join(found.unknown)}."
        )
    if found.judged:
        lines.append(
            "Requirements were judged as if every circuit were as the controller saw it and every output did "
            "what it was asked."
        )
    if found.unjudged:
        names = ", ".join(name for name, _ in found.unjudged)
        lines.append(f"No log can judge these, for they read where parts are: {names}.")
    if lines:
        section(console, "Assumed")
        for line in lines:
            bullet(console, line)


def _why(console: Console, found: Why) -> None:
    section(
        console,
        f"Why {found.reason.output} was {'on' if found.reason.on else 'off'} at {format_moment(found.time)}",
    )
    sentence, *permits = found.reason.lines()
    say(console, sentence, indent=2, hanging=2)
    for way in found.ways:
        if way.open or not way.is_override:  # that nothing overrides is as it should be
            say(console, str(way), indent=4, hanging=2)
    for line in permits:
        say_unbroken(console, line, indent=2)
    states = ", ".join(
        f"{name}.{state}" if state else f"{name} without power" for name, state in found.states
    )
    say(console, f"states: {states}", indent=2)
    if found.recorded is not None and bool(found.recorded) != found.reason.on:
        say(
            console,
            f"The log itself says {'on' if found.recorded else 'off'}: see where log and logic part.",
            indent=2,
        )
    if found.looked_back:
        say(
            console,
            f"Looked back to {format_moment(found.looked_back)}; what lasts since then may last longer.",
            indent=2,
        )


# -- JSON ------------------------------------------------------------------------------------


def replay_document(
    found: LogReplay,
    *,
    log: str,
    shown: Sequence[ReplayEvent],
    why: Why | None,
    divergence_why: Sequence[Why],
) -> dict[str, Any]:
    """The JSON document; times are in milliseconds since the log's start."""
    return {
        "format": "stillgate replay 1",
        "log": log,
        "begins": found.begins * found.period,
        "length": (found.scans - found.begins) * found.period,
        "scans": found.scans - found.begins,
        "untold": found.untold,
        "rows": found.timing.meaning.value,
        "accuracy": found.timing.accuracy,
        "parting": None
        if found.divergence is None
        else _divergence_document(found.divergence, divergence_why),
        "broken": [{"at": item.time, "name": item.name} for item in found.broken],
        "changes": found.happenings,
        "timeline": [
            {
                "at": item.time,
                "kind": item.signal[0].value,
                "name": item.signal[1],
                "before": item.before,
                "after": item.after,
                "exit": item.exit,
                "exit_words": item.exit_words,
            }
            for item in shown
        ],
        "why": None if why is None else _why_document(why),
        "assumed": [{"name": name, "level": level} for name, level in found.assumed],
        "unknown": list(found.unknown),
        "compared": [name for _, name in found.compared],
        "judged": list(found.judged),
        "unjudged": [{"name": name, "parts": list(parts)} for name, parts in found.unjudged],
        "caution": CAUTION,
    }


def _divergence_document(item: Divergence, reasons: Sequence[Why]) -> dict[str, Any]:
    return {
        "at": item.time,
        "at_first": item.at_first,
        "sure": item.sure,
        "differences": [
            {"kind": signal[0].value, "name": signal[1], "recorded": recorded, "computed": computed}
            for signal, recorded, computed in item.differences
        ],
        "why": [_why_document(reason) for reason in reasons],
    }


def _why_document(item: Why) -> dict[str, Any]:
    return {
        "at": item.time,
        "output": item.reason.output,
        "on": item.reason.on,
        "text": str(item.reason),
        "demanded_by": [".".join(pair) for pair in item.reason.demanded_by],
        "permits": [
            {
                "interlock": permit.number,
                "why": permit.why,
                "permits": permit.condition.holds,
                "condition": _clause(permit.condition),
            }
            for permit in item.reason.permits
        ],
        "states": dict(item.states),
        "ways": [{"name": way.name, "open": way.open, "text": str(way)} for way in item.ways],
        "recorded": item.recorded,
        "looked_back": item.looked_back,
    }


def _clause(clause: Clause) -> dict[str, Any]:
    return {
        "text": clause.text,
        "holds": clause.holds,
        "joint": clause.joint.value if clause.joint else None,
        "lasting": clause.lasting,
        "note": clause.note,
        "parts": [_clause(part) for part in clause.parts],
    }


_VALUE: Schema = {
    "type": ["integer", "string", "null"],
    "description": "0 or 1, a count, the name of a state (empty: no power), or null: unknown.",
}
_TRUTH: Schema = {"type": "boolean"}
_NAMES: Schema = {"type": "array", "items": {"type": "string"}}
_WHY: Schema = closed(
    "Why an output is as it is.",
    at=whole("The moment."),
    output=text("The output."),
    on={**_TRUTH, "description": "Whether the machine file asks for it."},
    text=text("The reason in one sentence."),
    demanded_by={**_NAMES, "description": "Active states that demand it."},
    permits=many(
        "Interlocks on it.",
        closed(
            "One interlock.",
            interlock=whole("Its number in the file, from 1.", 1),
            why=text("Its reason in the file."),
            permits={**_TRUTH, "description": "Whether it lets the output be on."},
            condition={
                "type": "object",
                "description": "The condition as a tree: text, holds, joint, lasting, note, parts.",
            },
        ),
    ),
    states={"type": "object", "description": "Active state of every sequence; null without power."},
    ways=many(
        "Where no active state demands it: the ways out of the states in which it is waited for.",
        closed(
            "One way out.",
            name=text("Its name."),
            open=truth("Whether the next scan would find it open."),
            text=text("The same in one sentence, with what blocks it."),
        ),
    ),
    recorded={**_VALUE, "description": "What the log says of it."},
    looked_back=whole("From where on lasting times are known."),
)

REPLAY: Schema = {
    "$schema": DRAFT,
    "title": "Output of stillgate replay --format json",
    **closed(
        "A log through the logic of a machine file; times are in milliseconds since its start.",
        format=text("Name and number of this format."),
        log=text("The log as named on the command line."),
        begins=whole("Where the log begins to say something; 0 where it begins at power-on."),
        length=whole("Length of the log."),
        scans=whole("Scans of the controller that it covers."),
        untold=whole("Scans of which not everything that the log tells elsewhere can be told or compared."),
        rows=text("What the rows of the log are.", *(item.value for item in RowMeaning)),
        accuracy=whole("How far a row may be from its scan."),
        parting=perhaps(
            closed(
                "The first scan in which recorded and computed differ.",
                at=whole("When."),
                at_first=truth("Where the log's first states or outputs are; it may begin in mid-run."),
                sure=truth("Whether they part for sure; else something before it was not known."),
                differences=many(
                    "What differs.",
                    closed(
                        "One signal.",
                        kind=text("What it is."),
                        name=text("Its name."),
                        recorded={**_VALUE, "description": "What the log says."},
                        computed={**_VALUE, "description": "What the machine file gives."},
                    ),
                ),
                why=many("The reasons of the outputs that differ.", _WHY),
            )
        ),
        broken=many(
            "Requirements broken on the way.",
            closed("One break.", at=whole("When."), name=text("The requirement.")),
        ),
        changes=whole("Changes in all."),
        timeline=many(
            "The changes asked for.",
            closed(
                "One change.",
                at=whole("When."),
                kind=text("What it is."),
                name=text("Its name."),
                before={**_VALUE, "description": "Before."},
                after={**_VALUE, "description": "After."},
                exit=text("Of a state: the exit taken."),
                exit_words=text("The same with what it waited for, as the file says it."),
            ),
        ),
        why=perhaps(_WHY),
        assumed=many(
            "Inputs that the log does not hold.",
            closed("One input.", name=text("Its name."), level=whole("The level it was taken to have.")),
        ),
        unknown={**_NAMES, "description": "Inputs that became unknown and were taken to stay."},
        compared={**_NAMES, "description": "Signals that could be compared."},
        judged={**_NAMES, "description": "Requirements that were judged."},
        unjudged=many(
            "Requirements that no log can judge.",
            closed("One.", name=text("Its name."), parts={**_NAMES, "description": "The parts it reads."}),
        ),
        caution=text("What a replay is not."),
    ),
}
