"""``stillgate explain``: what can happen from a situation, and what is blocked by what."""

from __future__ import annotations

import json
from typing import Annotated

from cyclopts import Parameter

from ..terminal import output_console, write_line
from .options import Format, MachineFile, duration_option


def explain(
    machine: MachineFile,
    /,
    *,
    state: Annotated[list[str] | None, Parameter(name="--in", negative="")] = None,
    value: Annotated[list[str] | None, Parameter(name="--with", negative="")] = None,
    since: str = "0 ms",
    form: Format = "text",
) -> int:
    """Explain a situation: which exits and outputs are blocked, and by what.

    Inputs that are not named are as nobody touches them: normally closed
    contacts conduct, the others do not. The situation is taken as given; it
    need not be reachable.

      stillgate explain press.yaml --in main=running --with guard_shut=on

    Parameters
    ----------
    state
        State of a sequence, as sequence=state; may be repeated. Left out: its start.
    value
        Level of an input or value of a memory, as name=on, name=off or name=3.
    since
        How long the states have been active, such as '8 s'.
    form
        Text for a person, json for a program (stillgate schema --of explain).
    """
    from stillgate.controller.reader import read_machine

    from ..reports.explanation import explanation_document, write_explanation
    from ..situation import outcomes, parse_settings, situate, split_values

    model = read_machine(machine).machine
    inputs, memory = split_values(model, parse_settings("--with", value or ()))
    executive = situate(
        model,
        states=parse_settings("--in", state or ()),
        inputs=inputs,
        memory=memory,
        elapsed=duration_option("--since", since) or 0,
    )
    following = outcomes(model, executive)
    if form == "json":
        write_line(json.dumps(explanation_document(model, executive, following), indent=2))
    else:
        write_explanation(output_console(), model, executive, following)
    return 0
