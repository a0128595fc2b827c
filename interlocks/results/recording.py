"""What a machine did, instant by instant: the one form that charts and overlays are drawn from.

A story of the check and a run of the simulation both become a ``Recording``; so does whatever
else can say, for every period, what each circuit, state, output, memory and part was. An
instant is what requirements read: after the outputs were written and before the parts move.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.rules.single_faults import POWER_INTERRUPTED
from stillgate.sim_io.simulation.simulation import Frame

from .verdict import Cause, Story

AND = " and "
"""Joins the names of several faults."""

NO_POWER = "off"
"""State of a sequence without power."""


@dataclass(frozen=True, slots=True)
class Instant:
    """What everything was in one period; the values of memory and parts in words."""

    circuits: Mapping[str, bool]  # healthy circuit of every input
    states: Mapping[str, str]  # NO_POWER without power
    outputs: Mapping[str, bool]  # as physically driven
    memory: Mapping[str, str]
    parts: Mapping[str, str]
    fault: str | None = None  # what is wrong, several joined by 'and'
    terminals: Mapping[str, bool] | None = None  # what reaches the controller; None: circuits with the fault
    scanned: bool = True  # False where the scan before took too long
    truths: Mapping[str, bool] = field(default_factory=dict)  # of parts, as requirements read them; if known

    @property
    def powered(self) -> bool:
        """Whether the controller runs."""
        return not any(state == NO_POWER for state in self.states.values())


@dataclass(frozen=True)
class Recording:
    """A machine's run. Instant n is at n periods after power-on and lasts a period."""

    machine: Machine
    period: Milliseconds
    instants: tuple[Instant, ...]

    @property
    def duration(self) -> Milliseconds:
        """End of the last instant."""
        return len(self.instants) * self.period


def recording_of_story(machine: Machine, story: Story, tick: Milliseconds) -> Recording:
    """The instants of a story of the check.

    Args:
        tick: period of the exploration that found it, in ms.
    """
    steps = {step.tick: step for step in story.steps}
    states = {name: sequence.start for name, sequence in machine.sequences.items()}
    outputs = dict.fromkeys(machine.outputs, False)
    memory = {
        name: _memory_words(item.start, item.range is not None) for name, item in machine.memory.items()
    }
    parts = dict(story.start)
    faults: list[str] = []
    instants: list[Instant] = []
    for number in range(story.ticks):
        step = steps.get(number)
        if step is not None:
            states = dict(step.states)
            outputs = {name: name in step.on_outputs for name in machine.outputs}
            for change in step.changes:
                if change.cause is Cause.FAULT and change.before == "healthy":
                    faults.append(f"{change.name} {change.after}")
                elif change.cause is Cause.FAULT and change.name not in machine.outputs:
                    faults += [POWER_INTERRUPTED] if change.after == "interrupted" else []
                elif change.name in memory:
                    memory = {**memory, change.name: change.after}
                elif change.name in parts and change.cause is Cause.PART:
                    parts = {**parts, change.name: change.after}
        circuits = {name: bool(level) for name, level in story.inputs[number]}
        truths = {name: values[number] for name, values in story.truths}
        fault = AND.join(faults) or None
        instants.append(Instant(circuits, states, outputs, memory, parts, fault, truths=truths))
    return Recording(machine, tick, tuple(instants))


def recording_of_frames(machine: Machine, frames: Iterable[Frame]) -> Recording:
    """The instants of a simulated run, a scan each."""
    return Recording(
        machine,
        machine.scan,
        tuple(
            Instant(
                circuits=frame.circuits,
                states={name: state or NO_POWER for name, state in frame.states.items()},
                outputs=frame.outputs,
                memory={name: _memory_words(value) for name, value in frame.memory.items()},
                parts=frame.parts,
                fault=_wrong(frame),
                terminals=frame.wired,
                scanned=frame.scanned,
            )
            for frame in frames
        ),
    )


def _wrong(frame: Frame) -> str | None:
    """What disturbs a scan, in one text; a scan that is left out counts."""
    dark = any(state is None for state in frame.states.values())
    overrun = ("scan overrun",) if not frame.scanned and not dark else ()
    return AND.join((*frame.disturbances, *overrun)) or None


def time_in_states(recording: Recording) -> dict[str, dict[str, Ticks]]:
    """How many periods each sequence spent in each of its states."""
    spent: dict[str, dict[str, Ticks]] = {
        name: dict.fromkeys(sequence.states, 0) for name, sequence in recording.machine.sequences.items()
    }
    for instant in recording.instants:
        for name, state in instant.states.items():
            if state != NO_POWER:
                spent[name][state] += 1
    return spent


def moves_between_states(recording: Recording, sequence: str) -> Sequence[tuple[Ticks, str, str]]:
    """Changes of a sequence's state as (instant, from, to); a loss of power is no way of the diagram."""
    at = recording.machine.sequences[sequence].start
    found: list[tuple[Ticks, str, str]] = []
    for number, instant in enumerate(recording.instants):
        state = instant.states[sequence]
        if state == NO_POWER:
            at = recording.machine.sequences[sequence].start
        elif state != at:
            found.append((number, at, state))
            at = state
    return found


def _memory_words(value: int, counter: bool | None = None) -> str:
    """``on`` and ``off`` of a bit, digits of a counter."""
    is_bit = isinstance(value, bool) if counter is None else not counter
    return ("on" if value else "off") if is_bit else str(int(value))
