"""An explained situation, as text and as JSON: where things stand, what is blocked, what is next."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from stillgate.controller.execution.executive import Executive
from stillgate.controller.execution.reasons import Clause, ExitReason, Permit, Reason
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.contact_words import level_of_contact
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.machine_file.named_conditions import meanings_in_controller

from ...console.prose import say
from ...console.terminal import printable
from ...console.words import level_words, listed
from .situation import NOTHING_CHANGES, NextSituation

FEW = 3
"""States, exits and changes that the answer names."""


def write_explanation(
    console: Console,
    machine: Machine,
    executive: Executive,
    following: Sequence[NextSituation],
    named: Collection[str] = (),
) -> None:
    """Prints a situation.

    Args:
        named: sequences to explain, with the outputs that they ask for; all if empty.
    """
    shown = [name for name in executive.states if not named or name in named]
    _answer(console, machine, executive, following, shown)
    say(console, "")
    inputs = (
        f"{name} {level_of_contact(machine.inputs[name].contact, level)}"
        for name, level in executive.inputs.items()
    )
    say(console, "inputs: " + ", ".join(inputs), hanging=8)
    if executive.memory:
        memory = (f"{name} {level_words(value)}" for name, value in executive.memory.items())
        say(console, "memory: " + ", ".join(memory), hanging=8)
    others = [f"{name} {state}" for name, state in executive.states.items() if name not in shown]
    if others:
        say(console, f"not explained, since --in does not name them: {', '.join(others)}", hanging=2)
    for sequence in shown:
        say(console, "")
        say(console, f"{sequence} is in {executive.states[sequence]}", style="bold")
        reasons = executive.exits(sequence)
        for reason in reasons:
            _tree(console, str(reason).removeprefix(f"{sequence}: "), reason.condition)
        if not reasons:
            say(console, "no way out", indent=2)
    asked = {
        output for name in shown for state in machine.sequences[name].states.values() for output in state.on
    }
    outputs = [name for name in executive.outputs if not named or name in asked]
    if outputs:
        say(console, "")
        say(console, "outputs", style="bold")
    for output in outputs:
        why = executive.why(output)
        say(console, str(why), indent=2, hanging=2)
        for permit in why.permits:
            said = "permits it" if permit.condition.holds else "holds it off"
            _tree(console, f"{permit} {said}", permit.condition, indent=4)
    meanings = meanings_in_controller(machine)
    if meanings:
        say(console, "")
        say(console, "named conditions, as the controller reads them", style="bold")
    for name, meaning in meanings.items():
        say(console, f"{name}: {meaning}", indent=2, hanging=2)
    say(console, "")
    say(console, "what can happen next, one change at a time", style="bold")
    for outcome in following:
        say(console, outcome_words(outcome), indent=2, hanging=2)
    if not following:
        say(console, "no single change moves anything", indent=2)


def _answer(
    console: Console,
    machine: Machine,
    executive: Executive,
    following: Sequence[NextSituation],
    shown: Sequence[str],
) -> None:
    """Where it stands, what is open, and which single changes move something."""
    states = listed([f"{name} {executive.states[name]}" for name in shown], FEW)
    on = [name for name, level in executive.outputs.items() if level]
    said = f"{machine.machine}: {states}; on: {listed(on, FEW) or 'nothing'}"
    say(console, said, style="bold", hanging=2)
    ways = [
        reason.name
        for name in shown
        for reason in executive.exits(name)
        if reason.open and not (reason.is_override and reason.target == executive.states[name])
    ]
    due = [item for item in following if item.cause == NOTHING_CHANGES and item.after and item.exits]
    waits = [f"{item.exits[0]} in {format_duration(item.after)}" for item in due]
    causes = [item.cause for item in following if item.cause != NOTHING_CHANGES]
    moved = listed(causes, FEW) or "no single change"
    say(console, f"open: {listed([*ways, *waits], FEW) or 'no exit'}; moved by: {moved}", hanging=2)


def outcome_words(outcome: NextSituation) -> str:
    """``if stop_ok opens (actuated): gate: override 1 to resting; motor_open goes off``."""
    wait = f", {format_duration(outcome.after)} later" if outcome.after else ""
    events = [*outcome.exits, *(f"{name} goes {'on' if on else 'off'}" for name, on in outcome.outputs)]
    return f"if {outcome.cause}{wait}: {'; '.join(events)}"


def explanation_document(
    machine: Machine, executive: Executive, following: Sequence[NextSituation]
) -> dict[str, Any]:
    """The JSON document of a situation; times are in milliseconds."""
    return {
        "format": "stillgate explain 1",
        "machine": machine.machine,
        "states": dict(executive.states),
        "inputs": dict(executive.inputs),
        "memory": dict(executive.memory),
        "conditions": meanings_in_controller(machine),
        "exits": [_exit(reason) for reason in executive.exits()],
        "outputs": [_output(executive.why(name)) for name in executive.outputs],
        "next": [
            {
                "if": outcome.cause,
                "after": outcome.after,
                "exits": list(outcome.exits),
                "outputs": dict(outcome.outputs),
            }
            for outcome in following
        ],
    }


def _exit(reason: ExitReason) -> dict[str, Any]:
    return {
        "name": reason.name,
        "sequence": reason.sequence,
        "state": reason.state,
        "target": reason.target,
        "override": reason.is_override,
        "open": reason.open,
        "taken": reason.taken,
        "wait": reason.wait,
        "text": str(reason),
        "condition": _clause(reason.condition) if reason.condition is not None else None,
    }


def _output(reason: Reason) -> dict[str, Any]:
    return {
        "name": reason.output,
        "on": reason.on,
        "text": str(reason),
        "demanded_by": [f"{sequence}.{state}" for sequence, state in reason.demanded_by],
        "permits": [_permit(permit) for permit in reason.permits],
    }


def _permit(permit: Permit) -> dict[str, Any]:
    return {"interlock": permit.number, "why": permit.why, "condition": _clause(permit.condition)}


def _clause(clause: Clause) -> dict[str, Any]:
    return {
        "text": clause.text,
        "holds": clause.holds,
        "joint": clause.joint.value if clause.joint is not None else None,
        "note": clause.note,
        "parts": [_clause(part) for part in clause.parts],
    }


def _tree(console: Console, head: str, condition: Clause | None, indent: int = 2) -> None:
    """A sentence and under it the tree of its condition, if that says more than the sentence."""
    say(console, head, indent=indent, hanging=2)
    if condition is not None and condition.parts:
        for line in condition.lines():
            console.print(Text(" " * (indent + 4) + printable(line)), soft_wrap=True)
