"""A machine without what cannot affect some of its requirements: the *slice* that these are judged over.

A slice keeps whole sequences, parts, inputs and outputs, and what of the memory is read. It is lowered by
the same functions as the whole, so each of its statements is one of the whole's; what can affect what says
``influence``, and why a slice does exactly what the whole does. Line numbers, faults that are left out with
a reason, scan and times are the whole's.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import TypeVar

from stillgate.controller.machine_file.machine import Actions, Machine, Part, Sequence, State

from .influence import Cone

T = TypeVar("T")
A = TypeVar("A", bound=Actions)


@dataclass(frozen=True, slots=True)
class Slice:
    """A slice of a machine.

    Attributes:
        machine: of what is kept.
        left_out: names of sequences, parts, inputs, outputs and memory that are not in it.
    """

    machine: Machine
    left_out: tuple[str, ...]


def names_of(machine: Machine) -> tuple[str, ...]:
    """All that a slice may keep or leave out, in the order of the sections."""
    sections = (machine.inputs, machine.outputs, machine.memory, machine.parts, machine.sequences)
    return tuple(name for section in sections for name in section)


def slice_of(machine: Machine, kept: Cone, requirements: Collection[str]) -> Slice:
    """The slice that keeps a cone, or a union of cones, with some of the requirements."""
    rest = machine.model_copy(
        update={
            "inputs": _among(machine.inputs, kept),
            "outputs": _among(machine.outputs, kept),
            "memory": _among(machine.memory, kept),
            "parts": {name: _part(part, kept) for name, part in _among(machine.parts, kept).items()},
            "sequences": {
                name: _sequence(item, kept) for name, item in _among(machine.sequences, kept).items()
            },
            "interlocks": [item for item in machine.interlocks if item.hold_off in kept],
            "requirements": _among(machine.requirements, requirements),
        }
    )
    return Slice(rest, tuple(name for name in names_of(machine) if name not in kept))


def _among(section: Mapping[str, T], names: Collection[str]) -> dict[str, T]:
    return {name: item for name, item in section.items() if name in names}


def _part(part: Part, kept: Cone) -> Part:
    """A part without the switches that nothing in the slice reads."""
    return part.model_copy(update={"senses": _among(part.senses, kept)})


def _sequence(sequence: Sequence, kept: Cone) -> Sequence:
    """A sequence that writes no memory and demands no output that the slice leaves out."""
    return sequence.model_copy(
        update={
            "overrides": [_actions(item, kept) for item in sequence.overrides],
            "states": {name: _state(item, kept) for name, item in sequence.states.items()},
        }
    )


def _state(state: State, kept: Cone) -> State:
    return state.model_copy(
        update={
            "on": [name for name in state.on if name in kept],
            "exits": [_actions(item, kept) for item in state.exits],
        }
    )


def _actions(item: A, kept: Cone) -> A:
    return item.model_copy(
        update={
            "do": _among(item.do, kept),
            "set": [name for name in item.set if name in kept],
            "clear": [name for name in item.clear if name in kept],
        }
    )
