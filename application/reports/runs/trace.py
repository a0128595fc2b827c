"""A simulated run as a trace: what changed in which scan, as text, JSON and CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich.console import Console
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.results.verdict import Cause, Change, StoryStep
from stillgate.sim_io.simulation.simulation import Frame

from ...console.prose import say
from ...console.words import level_words
from ..check.check_json import step_document
from ..check.story_text import steps_table

OFF = "off"


def trace_steps(machine: Machine, frames: Iterable[Frame]) -> list[StoryStep]:
    """The scans in which something changed, the first always."""
    sensed = {signal for part in machine.parts.values() for signal in part.senses}
    steps: list[StoryStep] = []
    before: Frame | None = None
    for number, frame in enumerate(frames):
        changes = tuple(_changes(machine, sensed, before, frame))
        if changes or before is None:
            steps.append(
                StoryStep(
                    tick=number,
                    time=frame.time,
                    changes=changes,
                    on_outputs=tuple(name for name, on in frame.outputs.items() if on),
                    states=tuple((name, state or OFF) for name, state in frame.states.items()),
                )
            )
        before = frame
    return steps


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
    say(console, f"inputs on: {_names_on(last.circuits)}", indent=2, hanging=2)
    say(
        console,
        f"states: {_pairs({name: state or OFF for name, state in last.states.items()})}",
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
            "states": {name: state or OFF for name, state in last.states.items()},
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
                *(state or OFF for state in frame.states.values()),
                *map(int, frame.memory.values()),
                *map(int, frame.outputs.values()),
                *frame.parts.values(),
            ]
        )
    return stream.getvalue()


def _changes(machine: Machine, sensed: set[str], before: Frame | None, frame: Frame) -> Iterable[Change]:
    """What is different from the scan before; at the start, from rest."""
    yield from _disturbed(before, frame)
    if before is None:
        yield from _from_rest(machine, sensed, frame)
        return
    dark, was_dark = _dark(frame), _dark(before)
    if dark != was_dark:
        yield Change("power", "", "interrupted" if dark else "back, cold start", Cause.FAULT)
    for name, on in frame.circuits.items():
        if on != before.circuits[name]:
            yield Change(name, level_words(not on), level_words(on), _who(machine, sensed, name))
    yield from _moved(before.parts, frame.parts, Cause.PART)
    yield from _moved(
        {name: state or OFF for name, state in before.states.items()},
        {name: state or OFF for name, state in frame.states.items()},
        Cause.CONTROLLER,
    )
    for name, value in frame.memory.items():
        if value != before.memory[name]:
            yield Change(name, level_words(before.memory[name]), level_words(value), Cause.CONTROLLER)
    for name, on in frame.outputs.items():
        if on != before.outputs[name]:
            forced = any(
                item.startswith(f"{name} ") and item not in before.disturbances for item in frame.disturbances
            )
            yield Change(
                name, level_words(not on), level_words(on), Cause.FAULT if forced else Cause.CONTROLLER
            )


def _disturbed(before: Frame | None, frame: Frame) -> Iterable[Change]:
    """Disturbances that begin and end, and scans that the one before took up."""
    old = before.disturbances if before is not None else ()
    for name in frame.disturbances:
        if name not in old:
            subject, _, state = name.partition(" ")
            yield Change(subject, "healthy", state, Cause.FAULT)
    for name in old:
        if name not in frame.disturbances:
            subject, _, state = name.partition(" ")
            yield Change(subject, state, f"no longer {state}", Cause.FAULT)
    if not frame.scanned and not _dark(frame) and (before is None or before.scanned or _dark(before)):
        yield Change("scan", "in time", "late: nothing sampled or written", Cause.FAULT)


def _from_rest(machine: Machine, sensed: set[str], frame: Frame) -> Iterable[Change]:
    for name, on in frame.circuits.items():
        rest = machine.inputs[name].contact.value == "normally_closed"
        if name not in sensed and on != rest:
            yield Change(name, level_words(rest), level_words(on), _who(machine, sensed, name))
    for name, sequence in machine.sequences.items():
        if frame.states[name] != sequence.start:
            yield Change(name, sequence.start, frame.states[name] or OFF, Cause.CONTROLLER)
    for name, on in frame.outputs.items():
        if on:
            yield Change(name, "off", "on", Cause.CONTROLLER)


def _moved(before: Mapping[str, str], after: Mapping[str, str], cause: Cause) -> Iterable[Change]:
    for name, place in after.items():
        if place != before[name]:
            yield Change(name, before[name], place, cause)


def _dark(frame: Frame) -> bool:
    return any(state is None for state in frame.states.values())


def _who(machine: Machine, sensed: set[str], name: str) -> Cause:
    if name in sensed:
        return Cause.PART
    return Cause.OPERATOR if machine.inputs[name].source == "operator" else Cause.FREE
