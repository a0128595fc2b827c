"""The disturbances of a machine as a list: what each is called and what it does."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table

from stillgate.controller.errors import UsageError
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.rules.namespace import nearest_hint
from stillgate.controller.rules.single_faults import fault_names
from stillgate.sim_io.faults.disturbances import Disturbance, DisturbanceKind, disturbances_of

from ...console.prose import bullet, say, section
from ...console.words import count_words
from ..exchange.schema_words import DRAFT, Schema, closed, many, text, truth

POWER_AND_SCAN = "power and scan"


def disturbances_about(machine: Machine, signals: Sequence[str]) -> tuple[Disturbance, ...]:
    """All disturbances, or those about some signals.

    Raises:
        UsageError: if there is no such input or output.
    """
    known = [*machine.inputs, *machine.outputs]
    for name in signals:
        if name not in known:
            hint = nearest_hint(name, known)
            raise UsageError(f"there is no input or output '{name}'{f'; {hint}' if hint else ''}")
    every = disturbances_of(machine)
    return tuple(item for item in every if not signals or set(item.subjects) & set(signals))


def is_checked(machine: Machine, item: Disturbance) -> bool:
    """Whether the check explores it by itself."""
    return item.name in fault_names(machine)


def write_faults(console: Console, machine: Machine, items: Sequence[Disturbance]) -> None:
    """Prints the list, a table for each signal."""
    say(console, f"{machine.machine}: {count_words(len(items), 'disturbance')}", style="bold")
    for subject, group in groupby(items, key=_subject):
        note = _note(machine, subject)
        section(console, f"{subject}{f' ({note})' if note else ''}")
        shown = Table(box=None, pad_edge=False, show_header=False, padding=(0, 1))
        shown.add_column("name", ratio=4, overflow="fold")
        shown.add_column("about", ratio=6, overflow="fold")
        shown.add_column("checked", no_wrap=True)
        for item in group:
            shown.add_row(item.name, item.about, "checked" if is_checked(machine, item) else "")
        console.print(Padding(shown, (0, 0, 0, 2)))
    section(console, "how to use them")
    bullet(console, "in a scenario: - {at: 8 s, inject: NAME}; they end with clear: NAME")
    bullet(console, "for a run: --at '8 s NAME'; for a soak: --disturb 'NAME'")
    bullet(console, "times and counts may be others; a dip or an overrun may come 'every 10 min'")
    bullet(
        console,
        "any two inputs or any two outputs can be swapped; listed are neighbours in the file, as their "
        "terminals are likely to be",
    )
    say(console, "")
    say(
        console,
        "'checked' ones are explored by the check, whenever they begin; the others are simulated, which "
        "shows some runs and not all of them. It is a list of what is modelled, not of what can fail.",
    )
    for excluded in machine.check.exclude:
        say(console, f"left out by the file: {excluded.fault}, because {excluded.why}", hanging=2)


def _subject(item: Disturbance) -> str:
    return item.subjects[0] if item.subjects else POWER_AND_SCAN


def _note(machine: Machine, subject: str) -> str:
    if subject in machine.inputs:
        return "input" + (f", {machine.inputs[subject].note}" if machine.inputs[subject].note else "")
    if subject in machine.outputs:
        return "output" + (f", {machine.outputs[subject].note}" if machine.outputs[subject].note else "")
    return ""


def faults_document(machine: Machine, items: Sequence[Disturbance]) -> dict[str, Any]:
    """The JSON document of the list; times are in milliseconds."""
    return {
        "format": "stillgate faults 1",
        "machine": machine.machine,
        "disturbances": [
            {
                "name": item.name,
                "kind": item.kind.value,
                "subjects": list(item.subjects),
                "about": item.about,
                "checked": is_checked(machine, item),
            }
            for item in items
        ],
        "excluded": [{"fault": item.fault, "why": item.why} for item in machine.check.exclude],
    }


FAULTS: Schema = {
    "$schema": DRAFT,
    "title": "Output of stillgate faults --format json",
    **closed(
        "Everything modelled that can go wrong with a machine's signals.",
        format=text("Name and number of this format."),
        machine=text("Name of the machine."),
        disturbances=many(
            "The disturbances, in the order of the file.",
            closed(
                "One disturbance.",
                name=text("How it is said."),
                kind=text("What sort it is.", *(kind.value for kind in DisturbanceKind)),
                subjects=many("The inputs or outputs it is about.", text("Name of a signal.")),
                about=text("What it does."),
                checked=truth("Whether the check explores it by itself."),
            ),
        ),
        excluded=many(
            "Faults that the file leaves out.",
            closed("One exclusion.", fault=text("The fault."), why=text("The reason given.")),
        ),
    ),
}
