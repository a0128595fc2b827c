"""Why the controller did what it did in a recording: the reference controller is asked.

The recorded inputs, with the recorded fault on them, are played to the executive, which knows
the exit it took and why each output is on or off. It must come to the recorded states, so a
reason is never that of another run.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from stillgate.controller.errors import ProgramFault
from stillgate.controller.execution.executive import Executive
from stillgate.controller.machine_file.field_types import Ticks
from stillgate.controller.machine_file.machine import Exit, Machine, Override
from stillgate.controller.program.controller_program import ControllerProgram, ExitProgram
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.rules.single_faults import stuck_name
from stillgate.interlocks.results.instant import Instant
from stillgate.interlocks.results.recording import Recording

from ..wording import one_line

BY_FAULT = "fault: "
"""Begins the reason of a change that the controller did not ask for."""

Reasons = dict[tuple[Ticks, str], str]
"""Reason of a change, by instant and by the name of the sequence or output that changed."""


@dataclass(frozen=True, slots=True)
class TakenExit:
    """A way out of a state as the file has it; an override belongs to no state."""

    sequence: str
    state: str  # empty for an override
    rank: int  # from 1
    target: str
    words: str


def reasons_of(recording: Recording) -> Reasons:
    """The reason of every change of a state or an output.

    Raises:
        ProgramFault: if the executive comes to other states than were recorded.
    """
    machine = recording.machine
    found: Reasons = {}
    outputs = dict.fromkeys(machine.outputs, False)
    states: dict[str, str | None] = {name: item.start for name, item in machine.sequences.items()}
    for number, instant, controller, taken in _played(recording):
        words = {way.sequence: way.words for way in taken}
        for name, state in instant.states.items():
            if state != states[name]:
                found[number, name] = words.get(name) or _power(state)
        for name, on in instant.outputs.items():
            if on != outputs[name]:
                found[number, name] = _about_output(machine, controller, instant, name)
        outputs, states = dict(instant.outputs), dict(instant.states)
    return found


def ways_taken(recording: Recording) -> list[tuple[Ticks, TakenExit]]:
    """Every exit and override taken, with its instant.

    Raises:
        ProgramFault: if the executive comes to other states than were recorded.
    """
    return [(number, way) for number, _, _, taken in _played(recording) for way in taken]


def _played(recording: Recording) -> Iterator[tuple[Ticks, Instant, Executive, list[TakenExit]]]:
    program = lower_controller(recording.machine, period=recording.period)
    controller = Executive(program)
    ways = _ways(recording.machine, program)
    for number, instant in enumerate(recording.instants):
        if instant.powered != controller.powered:
            if instant.powered:
                controller.power_on()
            else:
                controller.power_off()
        for name, conducts in instant.circuits.items():
            controller.inputs[name] = at_the_terminal(instant, name, conducts)
        scans = instant.scanned or not instant.powered
        if scans:
            controller.scan()
        _assert_same(controller, instant, number)
        yield number, instant, controller, [ways[mark] for mark in controller.taken] if scans else []


def at_the_terminal(instant: Instant, name: str, conducts: bool) -> bool:
    """What reaches the controller of a circuit that conducts or does not."""
    if instant.terminals is not None:
        return instant.terminals[name]
    if stuck_name(name, on=True) in instant.faults:
        return True
    return conducts and stuck_name(name, on=False) not in instant.faults


def _assert_same(controller: Executive, instant: Instant, number: Ticks) -> None:
    computed, recorded = dict(controller.states), dict(instant.states)
    if computed != recorded:
        raise ProgramFault(f"period {number}: recorded were {recorded}, the executive is in {computed}")


def _ways(machine: Machine, program: ControllerProgram) -> dict[str, TakenExit]:
    """Every way out, by its name in the program."""
    found: dict[str, TakenExit] = {}
    for sequence in program.sequences:
        model = machine.sequences[sequence.name]
        rows: list[tuple[str, tuple[ExitProgram, ...], Sequence[Exit | Override]]] = [
            ("", sequence.overrides, model.overrides)
        ]
        rows += [
            (state, items, model.states[state].exits)
            for state, items in zip(sequence.states, sequence.exits, strict=True)
        ]
        for state, items, ways in rows:
            for rank, (item, way) in enumerate(zip(items, ways, strict=True), start=1):
                kind = "exit" if state else "override"
                place = f"{kind} {rank}: " if len(ways) > 1 or not state else ""
                words = f"{place}{one_line(way)}"
                found[program.exit_marks[item.mark]] = TakenExit(sequence.name, state, rank, way.to, words)
    return found


def _power(state: str | None) -> str:
    return "power is off" if state is None else "cold start"


def _about_output(machine: Machine, controller: Executive, instant: Instant, name: str) -> str:
    reason = controller.why(name)
    if reason.on != instant.outputs[name]:
        its_own = (stuck_name(name, on=True), stuck_name(name, on=False))
        fault = next((item for item in instant.faults if item in its_own), instant.fault)
        return f"{BY_FAULT}{fault or 'gone'}"
    if reason.on or not reason.demanded_by:
        return str(reason).partition(": ")[2]
    held = [
        f"interlock {permit.number}"
        + (f" ({why})" if (why := machine.interlocks[permit.number - 1].why) else "")
        for permit in reason.held_off_by
    ]
    return f"held off by {' and '.join(held)}"
