"""What a soak came to, as text and JSON: how much was run, what was met, and the run cut down."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.padding import Padding

from stillgate.controller.expressions.durations import format_duration, format_elapsed
from stillgate.interlocks.simulated_runs.soak_run import SoakResult, Violation
from stillgate.sim_io.faults.disturbances import contacts_bounce

from ...console.prose import bullet, say, section
from ...console.words import count_words, grouped
from ..check.story_text import steps_table
from ..exchange.schema_words import DRAFT, STEP, Schema, closed, many, number, perhaps, text, truth, whole
from .trace import trace_document, trace_steps

SAMPLE = (
    "A soak is a sample of the runs of a model, not a proof: only the check looks at every run, and neither"
    " looks at a machine. Local codes, and a licensed or otherwise competent person, decide."
)


def write_soak(console: Console, result: SoakResult, machine: str, target: str) -> None:
    """Prints a soak.

    Args:
        console: where to.
        result: the soak.
        machine: how the command line named the machine file.
        target: where the scenario of a violation was written.
    """
    hours = hours_words(result.simulated)
    cut = " (interrupted)" if result.stopped else ""
    say(
        console,
        f"{result.machine.machine}: {hours} simulated at the scan of "
        f"{format_duration(result.machine.scan)}, seed {result.seed}{cut}",
        style="bold",
    )
    bullet(console, f"shifts of {format_duration(result.shift)} from power-on; {operators_words(result)}")
    bullet(console, disturbances_words(result))
    if result.mishaps:
        kinds = count_words(len(result.mishaps), "possible fault")
        bullet(console, f"in every shift one input or output gets stuck at some time, one of {kinds}")
    bullet(console, f"{count_words(len(result.watched), 'requirement')} watched in every scan")
    bullet(
        console,
        f"{result.rate:.1f} machine-hours a second on {count_words(result.jobs, 'thread')}",
    )
    _write_exits(console, result)
    if result.violation is None:
        section(console, f"no violation met in {hours}")
        say(console, SAMPLE)
        return
    _write_violation(console, result.violation, result, machine, target)
    say(console, "")
    say(console, SAMPLE)


def _write_exits(console: Console, result: SoakResult) -> None:
    never = result.never_taken
    taken = len(result.exits) - len(never)
    if not never:
        bullet(console, f"each of the {taken} exits was taken")
        return
    shown = "; ".join(never[:6]) + (f"; and {len(never) - 6} more" if len(never) > 6 else "")
    bullet(console, f"{taken} of {len(result.exits)} exits were taken; never: {shown}")


def _write_violation(
    console: Console, found: Violation, result: SoakResult, machine: str, target: str
) -> None:
    section(console, f"BROKEN  {found.requirement}")
    say(
        console,
        f"met {format_elapsed(found.time)} into shift {found.shift + 1} (seed {found.seed}, "
        f"{found.operator.value} operator), after {count_words(found.changes, 'change')} of inputs",
        indent=2,
        hanging=2,
    )
    steps = count_words(len(found.scenario.steps), "step")
    say(console, f"cut down to {steps}: broken at {format_duration(found.broken_at)}", indent=2, hanging=2)
    for item in found.scenario.disturb:
        say(console, f"it takes: {item}", indent=2, hanging=2)
    table = steps_table(trace_steps(found.result.machine, found.result.frames))
    console.print(Padding(table, (1, 0, 1, 2)))
    say(console, f"written to {target}; play it again with: stillgate run {target}", indent=2, hanging=2)
    again = f"stillgate soak {machine} --seed {result.seed} --hours {result.asked / 3.6e6:g}"
    say(console, f"met again with: {again} (and the same other options)", indent=2, hanging=2)


def hours_words(milliseconds: int) -> str:
    """Machine time in hours; in minutes and seconds below one."""
    hours = milliseconds / 3.6e6
    if hours < 1:
        return format_elapsed(milliseconds)
    return f"{grouped(hours)} h" if hours >= 10 else f"{hours:.2g} h"


def operators_words(result: SoakResult) -> str:
    """Who operated."""
    names = [kind.value for kind in result.operators]
    if len(names) == 1:
        return f"a {names[0]} operator"
    return f"a {', a '.join(names[:-1])} and a {names[-1]} operator in turn"


def disturbances_words(result: SoakResult) -> str:
    """What was disturbed, and what was not."""
    given = result.disturbances
    if not given:
        return "switches, valves, power and scan undisturbed"
    for free in (True, False):
        if given == contacts_bounce(result.machine, free=free):
            time = format_duration(given[0].time)
            if free:
                return f"every contact bounces for {time}"
            return (
                f"bounce of {time} on {count_words(len(given), 'contact')} that parts move; the others "
                "change at any scan anyhow (--disturb 'every contact bounces' lets them bounce too)"
            )
    return "disturbed: " + "; ".join(item.name for item in given)


def soak_document(result: SoakResult, target: str) -> dict[str, Any]:
    """The JSON document of a soak; times are in milliseconds unless said otherwise."""
    found = result.violation
    violation: dict[str, Any] | None = None
    if found is not None:
        run = trace_document(result.machine, found.scenario.seed, found.result.frames)
        violation = {
            "requirement": found.requirement,
            "shift": found.shift,
            "seed": found.seed,
            "operator": found.operator.value,
            "time": found.time,
            "changes": found.changes,
            "scenario": target,
            "steps_of_scenario": len(found.scenario.steps),
            "disturb": list(found.scenario.disturb),
            "broken_at": found.broken_at,
            "steps": run["steps"],
        }
    return {
        "format": "stillgate soak 1",
        "machine": result.machine.machine,
        "seed": result.seed,
        "scan": result.machine.scan,
        "asked": result.asked,
        "simulated": result.simulated,
        "seconds": result.seconds,
        "machine_hours_per_second": result.rate,
        "jobs": result.jobs,
        "shift": result.shift,
        "operators": [kind.value for kind in result.operators],
        "disturb": [item.name for item in result.disturbances],
        "faults": [item.name for item in result.mishaps],
        "watched": list(result.watched),
        "never_taken": list(result.never_taken),
        "interrupted": result.stopped,
        "violation": violation,
    }


SOAK: Schema = {
    "$schema": DRAFT,
    "title": "Output of stillgate soak --format json",
    **closed(
        "Many hours of simulated operation: a sample, not a proof. Times are in milliseconds.",
        format=text("Name and number of this format."),
        machine=text("Name of the machine."),
        seed=whole("Seed of everything."),
        scan=whole("Period of the controller.", 1),
        asked=whole("Machine time that was asked for, in whole shifts."),
        simulated=whole("Machine time that was run."),
        seconds=number("Seconds it took, building and cutting down left out."),
        machine_hours_per_second=number("Rate."),
        jobs=whole("Threads.", 1),
        shift=whole("Length of a shift.", 1),
        operators=many("Who operated, a shift each in turn.", text("A kind of operator.")),
        disturb=many("Disturbances from the start of every shift.", text("One disturbance.")),
        faults=many("Faults one of which begins in every shift.", text("One stuck fault.")),
        watched=many("Requirements judged in every scan.", text("Name of a requirement.")),
        never_taken=many("Exits that no shift took.", text("Name of an exit.")),
        interrupted=truth("Whether it was ended early."),
        violation=perhaps(
            closed(
                "The first violation, or null.",
                requirement=text("What was broken."),
                shift=whole("Number of the shift, from 0."),
                seed=whole("Seed of that shift."),
                operator=text("Its operator.", "sensible", "clumsy", "hostile"),
                time=whole("Time of the break in that shift."),
                changes=whole("Changes of inputs before it."),
                scenario=text("File that the run cut down was written to."),
                steps_of_scenario=whole("Steps of that scenario."),
                disturb=many("Disturbances that it takes.", text("One disturbance.")),
                broken_at=whole("Time of the break in the scenario."),
                steps=many("The scans of the scenario in which something changed.", STEP),
            )
        ),
    ),
}
