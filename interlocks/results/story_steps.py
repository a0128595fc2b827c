"""A recorded run in words: what changed in which tick, and who changed it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.rules.single_faults import POWER_INTERRUPTED
from stillgate.sim_io.simulation.operators import rest_level

from .instant import SCAN_LEFT_OUT, Instant, value_text
from .verdict import Cause, StoryChange, StoryStep


def steps_of(machine: Machine, instants: Sequence[Instant], tick: Milliseconds) -> tuple[StoryStep, ...]:
    """The ticks of a run from power-on in which something changed, the first and the last in any case."""
    steps: list[StoryStep] = []
    before: Instant | None = None
    for number, now in enumerate(instants):
        changes = tuple(_changes(machine, before, now))
        if changes or number in (0, len(instants) - 1):
            steps.append(
                StoryStep(
                    tick=number,
                    time=number * tick,
                    changes=changes,
                    on_outputs=tuple(name for name, on in now.outputs.items() if on),
                    states=tuple((name, now.state_text(name)) for name in now.states),
                )
            )
        before = now
    return tuple(steps)


def _changes(machine: Machine, before: Instant | None, now: Instant) -> Iterator[StoryChange]:
    yield from _faults(before, now)
    if not now.powered and (before is None or before.powered):
        yield StoryChange("power", "on", "interrupted", Cause.FAULT)
    elif now.powered and before is not None and not before.powered:
        yield StoryChange("power", "interrupted", "back, cold start", Cause.FAULT)
    if SCAN_LEFT_OUT in now.faults and (before is None or SCAN_LEFT_OUT not in before.faults):
        yield StoryChange("scan", "in time", "late: nothing sampled or written", Cause.FAULT)
    yield from _circuits(machine, before, now)
    for name, place in now.parts.items():
        if before is not None and place != before.parts[name]:
            yield StoryChange(name, before.parts[name], place, Cause.PART)
    for name in now.states:
        old = machine.sequences[name].start if before is None else before.state_text(name)
        if old != now.state_text(name):
            yield StoryChange(name, old, now.state_text(name), Cause.CONTROLLER)
    for name, value in now.memory.items():
        start = memory_value(machine, name, machine.memory[name].start)
        was = start if before is None else before.memory[name]
        if value != was:
            yield StoryChange(name, value_text(was), value_text(value), Cause.CONTROLLER)
    for name, on in now.outputs.items():
        if on != (before is not None and before.outputs[name]):
            cause = Cause.FAULT if name in now.forced else Cause.CONTROLLER
            yield StoryChange(name, value_text(not on), value_text(on), cause)


def _faults(before: Instant | None, now: Instant) -> Iterator[StoryChange]:
    """Faults that begin and end, apart from those that ``_changes`` tells by what they do."""
    old = () if before is None else before.faults
    for name in (*now.faults, *old):
        if (name in now.faults) == (name in old) or name in (POWER_INTERRUPTED, SCAN_LEFT_OUT):
            continue
        subject, _, state = name.partition(" ")
        begins = name in now.faults
        was, becomes = ("healthy", state) if begins else (state, f"no longer {state}")
        yield StoryChange(subject, was, becomes, Cause.FAULT)


def _circuits(machine: Machine, before: Instant | None, now: Instant) -> Iterator[StoryChange]:
    sensed = {name for part in machine.parts.values() for name in part.senses}
    for name, level in now.circuits.items():
        if before is not None:
            was = before.circuits[name]
        else:
            was = level if name in sensed else rest_level(machine, name)
        if level != was:
            free = Cause.OPERATOR if machine.inputs[name].source == "operator" else Cause.FREE
            cause = Cause.PART if name in sensed else free
            contact = machine.inputs[name].contact
            yield StoryChange(name, value_text(was), value_text(level), cause, contact)


def memory_value(machine: Machine, name: str, value: int) -> bool | int:
    """The value of a memory cell as what it is: a truth of a bit, a number of a counter."""
    return int(value) if machine.memory[name].range is not None else bool(value)
