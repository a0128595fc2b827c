"""A simulated run as a trace: what changed in which scan, as text, JSON and CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from rich.console import Console

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.contact_words import level_of_contact
from stillgate.controller.machine_file.machine import Contact, Machine
from stillgate.interlocks.results.instant import NO_POWER
from stillgate.interlocks.results.recording import recording_of_frames
from stillgate.interlocks.results.story_steps import steps_of
from stillgate.interlocks.results.verdict import StoryStep
from stillgate.sim_io.simulation.simulation import Frame

from ...console.prose import say
from ...console.words import level_words
from ..check.check_json import step_document
from ..check.story_text import steps_table


def trace_steps(machine: Machine, frames: Iterable[Frame]) -> list[StoryStep]:
    """The scans in which something changed, the first always."""
    steps = steps_of(machine, recording_of_frames(machine, frames).instants, machine.scan)
    return [step for step in steps if step.changes or not step.tick]


def write_trace(console: Console, machine: Machine, seed: int, frames: Sequence[Frame]) -> None:
    """Prints a run."""
    last = frames[-1]
    fault = "".join(f", {item}" for item in last.disturbances)
    say(
        console,
        f"{machine.machine}: {format_duration(last.time)} simulated, seed {seed}{fault}",
        style="bold",
    )
    if frames[0].parts:
        say(console, f"at the start: {_pairs(frames[0].parts)}", hanging=2)
    say(console, "")
    console.print(steps_table(trace_steps(machine, frames)))
    say(console, "")
    say(console, "at the end", style="bold")
    for line in _inputs(machine, last.circuits):
        say(console, line, indent=2, hanging=2)
    say(
        console,
        f"states: {_pairs({name: state or NO_POWER for name, state in last.states.items()})}",
        indent=2,
        hanging=2,
    )
    if last.memory:
        memory = {name: level_words(value) for name, value in last.memory.items()}
        say(console, f"memory: {_pairs(memory)}", indent=2, hanging=2)
    say(console, f"outputs on: {_names_on(last.outputs)}", indent=2, hanging=2)
    if last.parts:
        say(console, f"parts: {_pairs(last.parts)}", indent=2, hanging=2)


def _pairs(values: Mapping[str, str]) -> str:
    return ", ".join(f"{name} {value}" for name, value in values.items())


def _inputs(machine: Machine, circuits: Mapping[str, bool]) -> Iterator[str]:
    """What conducts; of normally closed contacts what does not, which says that they are actuated."""
    closed = {name for name in circuits if machine.inputs[name].contact is Contact.NORMALLY_CLOSED}
    yield f"inputs on: {_names_on({name: on for name, on in circuits.items() if name not in closed})}"
    if closed:
        is_open = level_of_contact(Contact.NORMALLY_CLOSED, False)
        opened = {name: not on for name, on in circuits.items() if name in closed}
        yield f"normally closed contacts {is_open}: {_names_on(opened)}"


def _names_on(levels: Mapping[str, bool]) -> str:
    return ", ".join(name for name, on in levels.items() if on) or "none"


def trace_document(machine: Machine, seed: int, frames: Sequence[Frame]) -> dict[str, Any]:
    """The JSON document of a run; times are in milliseconds."""
    first, last = frames[0], frames[-1]
    return {
        "format": "stillgate run 1",
        "machine": machine.machine,
        "seed": seed,
        "scan": machine.scan,
        "time": last.time,
        "fault": last.fault,
        "start": dict(first.parts),
        "steps": [step_document(step) for step in trace_steps(machine, frames)],
        "end": {
            "inputs": dict(last.circuits),
            "states": {name: state or NO_POWER for name, state in last.states.items()},
            "memory": dict(last.memory),
            "outputs": dict(last.outputs),
            "parts": dict(last.parts),
        },
    }


def trace_csv(frames: Sequence[Frame]) -> str:
    """Every scan as a row: time in ms, inputs, states, memory, outputs (0 or 1), parts."""
    first = frames[0]
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["time_ms", *first.circuits, *first.states, *first.memory, *first.outputs, *first.parts])
    for frame in frames:
        writer.writerow(
            [
                frame.time,
                *map(int, frame.circuits.values()),
                *(state or NO_POWER for state in frame.states.values()),
                *map(int, frame.memory.values()),
                *map(int, frame.outputs.values()),
                *frame.parts.values(),
            ]
        )
    return stream.getvalue()
