"""A machine run for its looks: the executive and the parts, scan by scan, at the real period.

One step::

    switches from where the parts stand ─► scan ─► outputs ─► what drives each part ─► parts move

Whatever the parts leave open (arrive now or later) is drawn from a seeded generator, so a
run is reproduced by its seed. Inputs that no part senses stay as they were last set; at
the start a normally closed contact conducts and a normally open one does not.

Not modelled: contact bounce, delays of switches and valves, anything between two scans.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass

from stillgate.controller.errors import UsageError
from stillgate.controller.evaluate import Compiler, Layout
from stillgate.controller.executive import Executive
from stillgate.controller.machine import Contact, Machine
from stillgate.controller.program import Assign, Block, Cell, NoteKind, Observation, Scope
from stillgate.controller.quantities import Milliseconds, Ticks

from .faults import Fault, FaultKind
from .plant import lower_plant


@dataclass(frozen=True, slots=True)
class Frame:
    """What everything was in one scan, after its outputs were written."""

    time: Milliseconds
    circuits: Mapping[str, bool]  # healthy circuit of every input
    states: Mapping[str, str | None]  # None without power
    outputs: Mapping[str, bool]  # as physically driven
    memory: Mapping[str, int]
    parts: Mapping[str, str]  # where each part stands, in words
    taken: tuple[str, ...]  # exits taken
    fault: str | None = None


class _Dice:
    """Host of the plant's blocks: choices are drawn.

    An event that may happen in any of the next n ticks is given a chance of 1 in n, so its
    time is spread evenly over its range; one that may happen at any time takes a second or so.
    """

    def __init__(self, seed: int, layout: Layout, scan: Milliseconds) -> None:
        self._random = random.Random(seed)
        self._layout = layout
        self._latest = {cell.name: cell for cell in layout.cells if cell.name.endswith(".latest")}
        self._patience = max(1, 1000 // scan)
        self.values: list[int] = []

    def choose(self, cell: Cell, count: int) -> int:
        if not cell.name.endswith(".happens"):
            return self._random.randrange(count)
        latest = self._latest.get(cell.name.replace(".happens", ".latest"))
        left = self._patience if latest is None else self.values[self._layout.slot(latest)] + 1
        return int(self._random.random() * left < 1)

    def read(self, values: list[int], signal: str, observation: Observation, ticks: Ticks) -> int:
        raise AssertionError("parts read no inputs")

    def note(self, kind: NoteKind, index: int) -> None:
        raise AssertionError("parts report nothing")


class Simulation:
    """A machine with its parts.

    Args:
        machine: the machine.
        seed: of everything the parts leave open, where they stand at the start included.
        fault: a single fault that is there from the start.

    Attributes:
        executive: the controller, to be asked for reasons.
    """

    def __init__(self, machine: Machine, *, seed: int = 0, fault: Fault | None = None) -> None:
        self.machine = machine
        self.executive = Executive(machine)
        self.fault = fault
        self._plant = lower_plant(machine, machine.scan)
        self._layout = Layout((*self._plant.cells, *self._plant.driven.values()))
        dice = _Dice(seed, self._layout, machine.scan)
        compiler = Compiler(self._layout, machine.scan, dice)
        self._circuit_cells = {
            name: Cell(f"{name}.circuit", 0, 1, 0, Scope.PART, persistent=False)
            for name in self._plant.circuits
        }
        sense: Block = tuple(
            Assign(cell, self._plant.circuits[name]) for name, cell in self._circuit_cells.items()
        )
        self._sense = compiler.block(sense)
        self._conditions = compiler.block(self._plant.conditions)
        self._moves = compiler.block(self._plant.moves)
        begin = compiler.block(self._plant.begin)
        self._values = dice.values = self._layout.start_values()
        begin(self._values)
        self._free = {
            name: item.contact is Contact.NORMALLY_CLOSED
            for name, item in machine.inputs.items()
            if name not in self._plant.circuits
        }

    @property
    def free_inputs(self) -> tuple[str, ...]:
        """Inputs that may be set: those no part senses."""
        return tuple(self._free)

    def set_input(self, name: str, conducts: bool) -> None:
        """Sets a circuit from the next scan on.

        Raises:
            UsageError: if there is no such input, or a part moves its switch.
        """
        if name in self._plant.circuits:
            raise UsageError(
                f"{name} is moved by a part and cannot be set; set one of {', '.join(self._free)}"
            )
        if name not in self._free:
            raise UsageError(f"there is no input {name}; inputs that can be set: {', '.join(self._free)}")
        self._free[name] = conducts

    def step(self) -> Frame:
        """One scan and the motion of the parts after it."""
        values = self._values
        self._sense(values)
        circuits = dict(self._free)
        for name, cell in self._circuit_cells.items():
            circuits[name] = bool(values[self._layout.slot(cell)])
        for name, level in circuits.items():
            self.executive.inputs[name] = self._as_wired(name, level)
        self.executive.scan()
        outputs = {name: self._as_driven(name, level) for name, level in self.executive.outputs.items()}
        for name, cell in self._plant.driven.items():
            values[self._layout.slot(cell)] = int(outputs[name])
        parts = {
            part.name: part.describe({cell: values[self._layout.slot(cell)] for cell in part.cells})
            for part in self._plant.parts
        }
        frame = Frame(
            time=self.executive.time_ms,
            circuits={name: circuits[name] for name in self.machine.inputs},
            states=dict(self.executive.states),
            outputs=outputs,
            memory=dict(self.executive.memory),
            parts=parts,
            taken=self.executive.taken,
            fault=self.fault.name if self.fault else None,
        )
        self._conditions(values)
        self._moves(values)
        return frame

    def _as_wired(self, name: str, level: bool) -> bool:
        if self.fault is not None and self.fault.subject == name:
            if self.fault.kind is FaultKind.INPUT_ON:
                return True
            if self.fault.kind is FaultKind.INPUT_OFF:
                return False
        return level

    def _as_driven(self, name: str, level: bool) -> bool:
        if self.fault is not None and self.fault.subject == name:
            if self.fault.kind is FaultKind.OUTPUT_ON:
                return True
            if self.fault.kind is FaultKind.OUTPUT_OFF:
                return False
        return level
