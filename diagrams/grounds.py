"""Why the controller did what it did in a recording: the reference controller is asked.

The recorded inputs, with the recorded fault on them, are played to the executive, which knows
the exit it took and why each output is on or off. It must come to the recorded states, so a
reason is never that of another run.
"""

from __future__ import annotations

from stillgate.controller.errors import ProgramFault
from stillgate.controller.executive import Executive
from stillgate.controller.lowering import lower_controller
from stillgate.controller.machine import Exit, Machine, Override
from stillgate.controller.program import ControllerProgram
from stillgate.controller.quantities import Ticks
from stillgate.controller.single_faults import stuck_name

from .recording import NO_POWER, Instant, Recording
from .wording import one_line

BY_FAULT = "fault: "
"""Begins the reason of a change that the controller did not ask for."""

Grounds = dict[tuple[Ticks, str], str]
"""Reason of a change, by instant and by the name of the sequence or output that changed."""


def grounds_of(recording: Recording) -> Grounds:
    """The reason of every change of a state or an output.

    Raises:
        ProgramFault: if the executive comes to other states than were recorded.
    """
    machine = recording.machine
    program = lower_controller(machine, period=recording.period)
    controller = Executive(program)
    ways = _ways(machine, program)
    found: Grounds = {}
    outputs = dict.fromkeys(machine.outputs, False)
    states = {name: sequence.start for name, sequence in machine.sequences.items()}
    for number, instant in enumerate(recording.instants):
        if instant.powered != controller.powered:
            if instant.powered:
                controller.power_on()
            else:
                controller.power_off()
        for name, conducts in instant.circuits.items():
            controller.inputs[name] = _at_the_terminal(instant, name, conducts)
        controller.scan()
        _assert_same(controller, instant, number)
        taken = [ways[mark] for mark in controller.taken]
        for name, state in instant.states.items():
            if state != states[name]:
                found[number, name] = next((text for owner, text in taken if owner == name), _power(state))
        for name, on in instant.outputs.items():
            if on != outputs[name]:
                found[number, name] = _about_output(machine, controller, instant, name)
        outputs, states = dict(instant.outputs), dict(instant.states)
    return found


def _at_the_terminal(instant: Instant, name: str, conducts: bool) -> bool:
    if instant.fault == stuck_name(name, on=True):
        return True
    return conducts and instant.fault != stuck_name(name, on=False)


def _assert_same(controller: Executive, instant: Instant, number: Ticks) -> None:
    computed = {name: state or NO_POWER for name, state in controller.states.items()}
    if computed != dict(instant.states):
        raise ProgramFault(
            f"period {number}: recorded were {dict(instant.states)}, the executive is in {computed}"
        )


def _ways(machine: Machine, program: ControllerProgram) -> dict[str, tuple[str, str]]:
    """Sequence and condition of each way out, by its name in the program."""
    found: dict[str, tuple[str, str]] = {}
    for sequence in program.sequences:
        model = machine.sequences[sequence.name]
        rows: list[tuple[str, tuple[int, ...], list[Exit] | list[Override]]] = [
            ("override", tuple(item.mark for item in sequence.overrides), model.overrides)
        ]
        rows += [
            ("exit", tuple(item.mark for item in items), model.states[state].exits)
            for state, items in zip(sequence.states, sequence.exits, strict=True)
        ]
        for kind, marks, ways in rows:
            for rank, (mark, way) in enumerate(zip(marks, ways, strict=True), start=1):
                place = f"{kind} {rank}: " if len(ways) > 1 or kind == "override" else ""
                found[program.exit_marks[mark]] = (sequence.name, f"{place}{one_line(way)}")
    return found


def _power(state: str) -> str:
    return "power is off" if state == NO_POWER else "cold start"


def _about_output(machine: Machine, controller: Executive, instant: Instant, name: str) -> str:
    reason = controller.why(name)
    if reason.on != instant.outputs[name]:
        return f"{BY_FAULT}{instant.fault}" if instant.fault else f"{BY_FAULT}gone"
    if reason.on or not reason.demanded_by:
        return str(reason).partition(": ")[2]
    held = [
        f"interlock {permit.number}"
        + (f" ({why})" if (why := machine.interlocks[permit.number - 1].why) else "")
        for permit in reason.held_off_by
    ]
    return f"held off by {' and '.join(held)}"
