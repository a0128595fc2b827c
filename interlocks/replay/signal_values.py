"""What a controller computes, by the names and values that a log has for it."""

from __future__ import annotations

from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.sim_io.logs.log import NO_STATE, Signal, Subject, Value


def computed_signals(program: ControllerProgram) -> tuple[Signal, ...]:
    """States, memory and outputs, in the order of the cells that ``LogController`` gives."""
    return (
        *((Subject.STATE, item.name) for item in program.sequences),
        *((Subject.MEMORY, name) for name in program.memory.values()),
        *((Subject.OUTPUT, item.name) for item in program.outputs),
    )


def value_of(machine: Machine, signal: Signal, value: int) -> Value:
    """The value of a computed signal as a log has it."""
    subject, name = signal
    if subject is not Subject.STATE:
        return value
    states = tuple(machine.sequences[name].states)
    return states[value] if value < len(states) else NO_STATE
