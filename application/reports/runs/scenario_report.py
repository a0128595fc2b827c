"""A scenario's result as text and JSON: each expectation with what became of it, then the trace."""

from __future__ import annotations

from typing import Any

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table

from stillgate.controller.expressions.durations import format_duration
from stillgate.interlocks.simulated_runs.scenario_run import ExpectationOutcome, ScenarioResult, when
from stillgate.sim_io.scenarios.scenario_reader import ScenarioDocument

from ...console.prose import bullet, say, say_unbroken, section
from ...console.words import count_words
from ..check.story_text import steps_table
from ..exchange.schema_words import DRAFT, STEP, Schema, closed, many, table, text, truth, whole
from .trace import trace_document, trace_steps

CAUTION = (
    "A scenario is one run of a model: that it passes says nothing about other runs, and nothing about a"
    " machine. Local codes, and a licensed or otherwise competent person, decide."
)


def write_scenario_result(console: Console, result: ScenarioResult, document: ScenarioDocument) -> None:
    """Prints a result."""
    scenario = result.scenario
    word = "PASSED" if result.passed else "FAILED"
    operator = "" if scenario.operator == "nobody" else f", {scenario.operator} operator"
    lasted = format_duration(result.frames[-1].time)
    say(
        console,
        f"{word}  {scenario.scenario} on {result.machine.machine}: {lasted} simulated, "
        f"seed {scenario.seed}{operator}",
        style="bold",
    )
    for line in (scenario.title, *(f"there from the start: {item}" for item in scenario.disturb)):
        if line:
            say(console, line, indent=2, hanging=2)
    if result.outcomes:
        console.print(Padding(_table(result, document), (1, 0, 0, 2)))
    for item in result.failures:
        _write_failure(console, item, document)
    for found in result.broken:
        section(console, f"BROKEN  {found.requirement}")
        say(console, f"at {format_duration(found.time)}", indent=2)
    section(console, "what changed")
    console.print(Padding(steps_table(trace_steps(result.machine, result.frames)), (1, 0, 0, 2)))
    say(console, "")
    watched = count_words(len(result.watched), "requirement")
    say(console, f"{watched} watched, {len(result.broken)} broken. {CAUTION}")


def _table(result: ScenarioResult, document: ScenarioDocument) -> Table:
    shown = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1))
    shown.add_column("step", justify="right")
    shown.add_column("expected", overflow="fold", ratio=3)
    shown.add_column("", overflow="fold", ratio=2)
    for item in result.outcomes:
        shown.add_row(str(item.step + 1), item.text, when(item) if item.met else f"NOT MET, {when(item)}")
    return shown


def _write_failure(console: Console, item: ExpectationOutcome, document: ScenarioDocument) -> None:
    line = document.line_of(item.step)
    place = f"{document.path}:{line}: " if line else ""
    section(console, f"NOT MET  step {item.step + 1}")
    say_unbroken(console, f"{place}{item.text}", indent=2)
    say(console, when(item), indent=2, hanging=2)
    say(console, f"seen at {format_duration(item.decided)}:", indent=2)
    for seen in item.seen:
        bullet(console, seen)
    if item.reasons:
        say(console, "why:", indent=2)
    for reason in item.reasons:
        bullet(console, reason)


def scenario_document(result: ScenarioResult, document: ScenarioDocument) -> dict[str, Any]:
    """The JSON document of a result; times are in milliseconds."""
    scenario = result.scenario
    run = trace_document(result.machine, scenario.seed, result.frames)
    return {
        "format": "stillgate scenario 1",
        "scenario": scenario.scenario,
        "machine": result.machine.machine,
        "seed": scenario.seed,
        "operator": scenario.operator,
        "disturb": list(scenario.disturb),
        "passed": result.passed,
        "expectations": [
            {
                "step": item.step + 1,
                "line": document.line_of(item.step),
                "text": item.text,
                "since": item.since,
                "due": item.due,
                "met": item.met,
                "decided": item.decided,
                "seen": list(item.seen),
                "reasons": list(item.reasons),
            }
            for item in result.outcomes
        ],
        "broken": [{"requirement": item.requirement, "time": item.time} for item in result.broken],
        "watched": list(result.watched),
        "time": run["time"],
        "start": run["start"],
        "steps": run["steps"],
    }


BREAK = closed(
    "One requirement that was broken.",
    requirement=text("Its name; a counter that left its bounds is named so."),
    time=whole("When it was broken for the first time."),
)

SCENARIO: Schema = {
    "$schema": DRAFT,
    "title": "Output of stillgate run with a scenario and --format json",
    **closed(
        "A scenario that was run as a test; times are in milliseconds.",
        format=text("Name and number of this format."),
        scenario=text("Name of the scenario."),
        machine=text("Name of the machine."),
        seed=whole("Seed of everything that was left open."),
        operator=text("Who else moved the inputs.", "nobody", "sensible", "clumsy", "hostile"),
        disturb=many("Disturbances that were there from the start.", text("One disturbance.")),
        passed=truth("Whether every expectation was met and no watched requirement was broken."),
        expectations=many(
            "What became of every expectation.",
            closed(
                "One expectation.",
                step=whole("Number of the step, from 1.", 1),
                line=whole("Its line in the file; 0 if there is no file."),
                text=text("What was expected."),
                since=whole("When it was first judged."),
                due=whole("When it had to be decided."),
                met=truth("Whether it was met."),
                decided=whole("When that was certain."),
                seen=many("What its names were then, if it was not met.", text("One name.")),
                reasons=many("Why it was not, in words.", text("One reason.")),
            ),
        ),
        broken=many("The first break of every watched requirement that was broken.", BREAK),
        watched=many("The requirements that were watched.", text("Name of a requirement.")),
        time=whole("Time of the last scan."),
        start=table("Where each part stood at the start.", text("A place or motion.")),
        steps=many("The scans in which something changed, and the first.", STEP),
    ),
}
