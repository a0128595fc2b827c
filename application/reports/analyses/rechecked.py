"""The re-check of a certificate as text and as JSON."""

from __future__ import annotations

from typing import Any

from rich.console import Console

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.certificates.certificate_file import INVARIANT, STATES, Certificate
from stillgate.interlocks.certificates.states_recheck import Recheck
from stillgate.interlocks.results.verdict import tick_caution

from ...console.prose import bullet, say, say_unbroken, section
from ...console.words import CAUTION, count_words, fault_words
from ..exchange.schema_words import (
    DRAFT,
    TICK_CAUTION,
    Schema,
    closed,
    many,
    number,
    perhaps,
    table,
    text,
    truth,
    whole,
)

FORMAT = "stillgate recheck 1"
"""Changes when a field changes its meaning or goes away; new fields do not change it."""

RECHECK: Schema = {
    "$schema": DRAFT,
    **closed(
        "Whether a certificate stood when it was checked again.",
        format=text("Name and version of this format.", FORMAT),
        certificate=text("The certificate's file, as it was given."),
        kind=text("What it shows its requirements by.", STATES, INVARIANT),
        machine=text("Name of the machine."),
        digest=text("SHA-256 of the machine file."),
        tick=whole("Period of the step in ms."),
        tick_caution=TICK_CAUTION,
        faults=whole("How many faults may happen."),
        stands=perhaps(truth("Whether it stands; null if the time did not suffice.")),
        shown=many(
            "Requirements that it shows to hold; at a longer tick than the scan: not to be broken at it.",
            text("A requirement."),
        ),
        states=whole("States or clauses looked at."),
        steps=whole("Steps that were made; 0 for an invariant."),
        seconds=number("How long it took in s."),
        refusal=perhaps(
            closed(
                "Why it is refused, and where.",
                text=text("What is wrong."),
                state=table("The state it was noticed in.", whole("Value of a cell.", None)),
                choices=many(
                    "What was chosen in the step, in order.",
                    closed("A choice.", name=text("What was chosen."), answer=whole("Which, from 0.")),
                ),
            )
        ),
        caution=text("What this is not."),
    ),
}


def recheck_document(result: Recheck, item: Certificate, machine: Machine, file: str) -> dict[str, Any]:
    """The JSON document of a re-check."""
    stands = None if result.cut_short else result.refusal is None
    return {
        "format": FORMAT,
        "certificate": file,
        "kind": item.kind,
        "machine": item.machine,
        "digest": item.digest,
        "tick": item.tick,
        "tick_caution": tick_caution(item.tick, machine.scan),
        "faults": item.faults,
        "stands": stands,
        "shown": list(item.requirements) if stands else [],
        "states": result.states,
        "steps": result.steps,
        "seconds": round(result.seconds, 3),
        "refusal": None
        if result.refusal is None
        else {
            "text": result.refusal.text,
            "state": result.refusal.state,
            "choices": [{"name": name, "answer": answer} for name, answer in result.refusal.choices],
        },
        "caution": CAUTION,
    }


def write_recheck(console: Console, result: Recheck, item: Certificate, machine: Machine, file: str) -> None:
    """Prints what became of a certificate."""
    say_unbroken(console, f"{file}: a certificate of {item.machine} by its {_things(item)}", style="bold")
    say(
        console,
        f"tick {format_duration(item.tick)}, {fault_words(item.faults)}, machine file SHA-256"
        f" {item.digest[:12]}..., written by version {item.version}",
    )
    say(console, "")
    if result.refusal is not None:
        _refused(console, result)
    elif result.cut_short:
        say(console, f"Undecided: {count_words(result.states, 'state')} checked in the time given.")
    else:
        _stands(console, result, item, machine)
    say(console, "")
    say(console, CAUTION.replace("assumptions above", "assumptions that stillgate check prints"))


def _things(item: Certificate) -> str:
    if item.kind == INVARIANT:
        return f"invariant of {count_words(len(item.cubes), 'clause')}"
    return f"{count_words(len(item.states), 'state')}"


def _stands(console: Console, result: Recheck, item: Certificate, machine: Machine) -> None:
    if item.kind == INVARIANT:
        how = (
            f"no start state and no step enters one of {count_words(result.states, 'excluded set')} of states"
        )
    else:
        how = (
            f"all start states are listed and none of {count_words(result.steps, 'step')} leads out of"
            f" {count_words(result.states, 'state')}"
        )
    say(
        console,
        f"It stands: {how}, and no step breaks what it shows ({result.seconds:.1f} s).",
        style="green",
    )
    at_scan = item.tick == machine.scan
    said = "Holds at the scan of" if at_scan else "Not broken at"
    section(console, f"{said} {format_duration(item.tick)} with {fault_words(item.faults)}")
    for name in item.requirements:
        ranks = item.ranks.get(name)
        tail = f", at most {count_words(max(ranks), 'tick')} away" if ranks else ""
        bullet(console, f"{name}{tail}")
    if caution := tick_caution(item.tick, machine.scan):
        say(console, caution)
    missing = [name for name in machine.requirements if name not in item.requirements]
    if missing:
        say(console, "")
        say(console, f"It shows nothing of: {', '.join(missing)}.")


def _refused(console: Console, result: Recheck) -> None:
    assert result.refusal is not None
    say(console, f"REFUSED: {result.refusal.text}.", style="bold red")
    if result.refusal.state:
        section(console, "The state")
        shown = ", ".join(f"{name} {value}" for name, value in result.refusal.state.items())
        say(console, shown, indent=2)
    if result.refusal.choices:
        section(console, "What was chosen in the step")
        say(console, ", ".join(f"{name}: {answer}" for name, answer in result.refusal.choices), indent=2)
