"""One whole tick of a machine: every situation that may follow a situation."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from typing import NamedTuple

from stillgate.controller.machine_file.machine import Machine

from .faults import POWER, Faults, faults_of, may_begin, stuck
from .plant import Plant, Standing
from .scanning import Controlled, Controller, start_of

NO_FAULT: Faults = frozenset()


class Situation(NamedTuple):
    """What lies between two ticks; without power there is no controller."""

    controlled: Controlled | None
    standing: Standing
    faults: Faults


class Instant(NamedTuple):
    """What requirements and findings may read of a tick.

    Attributes:
        names: what each name reads in a requirement.
        left_range: memory that was asked to leave its range in this tick's scan.
        taken: exits that this tick's scan took.
    """

    names: dict[str, int]
    left_range: tuple[str, ...]
    taken: tuple[tuple[str, str, int], ...]


class World:
    """A machine at a tick, with up to ``budget`` faults: of those it may have, or of ``faults`` alone.

    Raises:
        ValueError: if the tick is no whole multiple of the scan.
    """

    def __init__(self, machine: Machine, *, tick: int, budget: int, faults: list[str] | None = None) -> None:
        if tick < machine.scan or tick % machine.scan:
            raise ValueError(f"a tick of {tick} ms is no whole multiple of {machine.scan} ms")
        self.machine = machine
        self._budget = budget
        self._faults = faults_of(machine) if faults is None else faults
        self._controller = Controller(machine, tick)
        self._plant = Plant(machine, tick)
        self._free = [name for name in machine.inputs if name not in self._plant.sensed]
        self._without_power = {name: start_of(item) for name, item in machine.memory.items()}

    def starts(self) -> list[Situation]:
        """The situations before tick 0: all outputs are off, but for one that is stuck on since before."""
        outputs = self.machine.outputs
        since_before = [
            faults
            for faults in may_begin(self._faults, NO_FAULT, self._budget)
            if all(fault in {f"{name} stuck on" for name in outputs} for fault in faults)
        ]
        return [
            Situation(self._controller.cold(), standing, faults)
            for faults in since_before
            for standing in self._plant.starts(tuple(stuck(name, 0, faults) for name in outputs))
        ]

    def after(self, before: Situation) -> Iterator[tuple[Instant, Situation]]:
        """Every tick that a situation may have, and the situation after it."""
        for faults in may_begin(self._faults, before.faults, self._budget):
            for powered in self._powered(before, faults):
                for levels in product((0, 1), repeat=len(self._free)):
                    free = dict(zip(self._free, levels, strict=True))
                    yield from self._tick(before.standing, faults, powered, free)

    def _powered(self, before: Situation, faults: Faults) -> list[Controlled | None]:
        """Step 1: the controller that meets this tick, None where there is no power."""
        if POWER in faults and POWER not in before.faults:
            return [None]
        if before.controlled is None:
            return [None, self._controller.cold()]
        return [before.controlled]

    def _tick(
        self, standing: Standing, faults: Faults, controlled: Controlled | None, free: dict[str, int]
    ) -> Iterator[tuple[Instant, Situation]]:
        machine = self.machine
        circuits = free | self._plant.circuits(standing)
        scanned = None
        if controlled is not None:
            sampled = tuple(stuck(name, circuits[name], faults) for name in machine.inputs)
            scanned = self._controller.scan(controlled, sampled)
        after = scanned.after if scanned else None
        asked = dict.fromkeys(machine.outputs, 0)
        if after:
            asked = dict(zip(machine.outputs, after.written, strict=True))
        physical = {name: stuck(name, asked[name], faults) for name in machine.outputs}
        moved = self._plant.move(standing, tuple(physical.values()))
        names = {**circuits, **physical, **moved.truths, **self._seen(after)}
        names |= {f"asked.{name}": level for name, level in asked.items()}
        instant = Instant(names, scanned.left_range if scanned else (), scanned.taken if scanned else ())
        for following in moved.after:
            yield instant, Situation(after, following, faults)

    def _seen(self, after: Controlled | None) -> dict[str, int]:
        """States, memory and ``seen`` as requirements read them."""
        machine = self.machine
        active = after.active if after else ("",) * len(machine.sequences)
        found = {
            f"{name}.{state}": int(state == now)
            for (name, sequence), now in zip(machine.sequences.items(), active, strict=True)
            for state in sequence.states
        }
        accepted = after.accepted if after else (0,) * len(machine.inputs)
        found |= {f"seen.{name}": level for name, level in zip(machine.inputs, accepted, strict=True)}
        memory = dict(zip(machine.memory, after.memory, strict=True)) if after else self._without_power
        return found | memory
