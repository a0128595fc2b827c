"""All parts together: what they show, the switches they close, what drives them, the move."""

from __future__ import annotations

from functools import cache
from itertools import product
from typing import NamedTuple

from stillgate.controller.expressions.expression import Name, walk
from stillgate.controller.machine_file.machine import Automaton, Flow, Machine, Travel

from .parts import AutomatonOracle, Drive, Place, part_oracle, places_of_just_entered
from .terms import Key, value

Places = tuple[Place, ...]


class Standing(NamedTuple):
    """The parts between two ticks: their places, and the drives of the last tick where a switch sees them."""

    places: Places
    last_drives: tuple[Drive, ...]


class Moved(NamedTuple):
    """The parts in one tick: truths at its instant, and how they may stand at its end."""

    truths: dict[str, int]
    after: tuple[Standing, ...]


MOTION = ("moving", "still", "turning")


class Plant:
    """The parts of a machine."""

    def __init__(self, machine: Machine, tick: int) -> None:
        self.machine = machine
        self._oracles = {name: part_oracle(part, tick) for name, part in machine.parts.items()}
        self._motion_sensed = [
            any(
                isinstance(node, Name) and node.path in MOTION
                for sense in part.senses.values()
                for node in walk(sense.tree)
            )
            for part in machine.parts.values()
        ]
        self.sensed = [name for part in machine.parts.values() for name in part.senses]
        self.circuits = cache(self._circuits)
        self.move = cache(self._move)

    def starts(self, outputs: tuple[int, ...]) -> list[Standing]:
        """How the parts may stand before tick 0, at what the outputs then are."""
        by_part = []
        for part, oracle in zip(self.machine.parts.values(), self._oracles.values(), strict=True):
            places = oracle.starts()
            if isinstance(part, Flow | Automaton) and part.just_entered:
                places = places_of_just_entered(oracle, places)
            by_part.append(places)
        found = []
        for places in product(*by_part):
            _, drives = self._instant(places, outputs)
            if all(
                oracle.can_start(place, drive)
                for oracle, place, drive in zip(self._oracles.values(), places, drives, strict=True)
                if isinstance(oracle, AutomatonOracle)
            ):
                found += [Standing(places, last) for last in self._last_drives()]
        return found

    def _last_drives(self) -> list[tuple[Drive, ...]]:
        """Drives that a switch of motion may see in tick 0: a travel may have been driven until then or
        not; a spin that was driven is no longer still, so its place says it all.
        """
        each: list[tuple[Drive, ...]] = []
        for part, sensed in zip(self.machine.parts.values(), self._motion_sensed, strict=True):
            undriven: Drive = (0, 0) if isinstance(part, Travel) else (0,)
            driven = ((1, 0),) if isinstance(part, Travel) else ()
            each.append((undriven, *driven) if sensed else ((),))
        return list(product(*each))

    def _circuits(self, standing: Standing) -> dict[str, int]:
        """Step 2: the circuits of the switches that parts close."""
        found = {}
        for part, oracle, place, drive in zip(
            self.machine.parts.values(), self._oracles.values(), *standing, strict=True
        ):
            own: dict[Key, int] = {**oracle.shows(place)}
            if drive:
                own |= oracle.moves(place, drive)
            for name, sense in part.senses.items():
                found[name] = value(sense.tree, own)
        return found

    def _move(self, standing: Standing, outputs: tuple[int, ...]) -> Moved:
        """The instant at some physical outputs, and step 8 after it: all parts at once."""
        truths, drives = self._instant(standing.places, outputs)
        each = [
            sorted(oracle.after(place, drive), key=repr)
            for oracle, place, drive in zip(self._oracles.values(), standing.places, drives, strict=True)
        ]
        kept = self._kept(drives)
        return Moved(truths, tuple(Standing(places, kept) for places in product(*each)))

    def _kept(self, drives: list[Drive]) -> tuple[Drive, ...]:
        return tuple(
            drive if sensed else () for drive, sensed in zip(drives, self._motion_sensed, strict=True)
        )

    def _instant(self, places: Places, outputs: tuple[int, ...]) -> tuple[dict[str, int], list[Drive]]:
        """Truths of all parts and what drives them.

        What drives a spin or a travel reads no motion, so motion is known before flows and automata.
        """
        frame: dict[Key, int] = {**dict(zip(self.machine.outputs, outputs, strict=True))}
        truths: dict[str, int] = {}
        drives: dict[str, Drive] = {}
        standing = dict(zip(self._oracles, places, strict=True))

        def add(name: str, found: dict[str, int]) -> None:
            for word, truth in found.items():
                truths[f"{name}.{word}"] = frame[f"{name}.{word}"] = truth

        for name, oracle in self._oracles.items():
            add(name, oracle.shows(standing[name]))
        later = [name for name, part in self.machine.parts.items() if isinstance(part, Flow | Automaton)]
        for name in sorted(self._oracles, key=lambda name: name in later):
            oracle = self._oracles[name]
            drives[name] = oracle.drive(standing[name], frame)
            if name not in later:
                add(name, oracle.moves(standing[name], drives[name]))
        return truths, [drives[name] for name in self._oracles]
