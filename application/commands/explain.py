"""``stillgate explain``: what can happen from a situation, and what is blocked by what."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from ..console.terminal import output_console, write_line
from .options import Format, MachineFile, duration_option, load_machine

if TYPE_CHECKING:
    from stillgate.controller.execution.executive import Executive
    from stillgate.controller.machine_file.machine import Machine


def explain(
    machine: MachineFile,
    /,
    *,
    state: Annotated[list[str] | None, Parameter(name="--in", negative="")] = None,
    value: Annotated[list[str] | None, Parameter(name="--with", negative="")] = None,
    since: str = "0 ms",
    at: Annotated[list[str] | None, Parameter(negative="")] = None,
    duration: Annotated[str | None, Parameter(name="--for")] = None,
    seed: int = 0,
    form: Format = "text",
) -> int:
    """Explain a situation: which exits and outputs are blocked, and by what.

    Inputs that are not named are as nobody touches them: normally closed
    contacts conduct, the others do not. Switches that a part moves are as the
    part starts; one that may start anywhere stands still, at its first place.
    The situation is taken as given; it need not be reachable. With --in only
    the sequences that it names are explained. With --for or --at, the
    situation is instead where a simulated run of that length ends, as
    stillgate run would play it.

      stillgate explain press.yaml --in main=running --with guard_shut=off
      stillgate explain press.yaml --for 4s --at '1 s start on'

    Parameters
    ----------
    state
        State of a sequence, as sequence=state; may be repeated. Left out: its start.
    value
        Level of an input or value of a memory, as name=on, name=off or name=3.
    since
        How long the states have been active, such as '8 s'.
    at
        An event of a simulated run, as in stillgate run; may be repeated.
    duration
        How long to simulate before explaining.
    seed
        Number that decides what the parts leave open in the run.
    form
        Text for a person, json for a program (stillgate schema --of explain).
    """
    from stillgate.controller.errors import UsageError

    from ..reports.runs.explanation import explanation_document, write_explanation
    from ..reports.runs.situation import outcomes, parse_settings, situate, split_values

    model = load_machine(machine)
    if at or duration:
        if state or value:
            raise UsageError("give a situation by --in and --with, or by --for and --at, not both")
        executive = _after_run(model, at or [], duration_option("--for", duration or "10 s") or 0, seed)
    else:
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
        named = () if at or duration else parse_settings("--in", state or ())
        write_explanation(output_console(), model, executive, following, named)
    return 0


def _after_run(machine: Machine, at: list[str], duration: int, seed: int) -> Executive:
    """The controller where a simulated run ends."""
    from stillgate.sim_io.simulation.script import parse_script, play
    from stillgate.sim_io.simulation.simulation import Simulation

    simulation = Simulation(machine, seed=seed)
    for _ in play(simulation, parse_script(at, machine), duration):
        pass
    return simulation.executive
