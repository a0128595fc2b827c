"""A simulated run, followed through the oracle: the set of situations it may be in, tick by tick."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stillgate.controller.machine_file.machine import Machine
from stillgate.sim_io.simulation.simulation import Frame

from .world import Instant, Situation, World


class Follower:
    """Every situation that agrees with all frames of a run so far.

    ``faults`` may begin in the run, and no others.
    """

    def __init__(self, machine: Machine, faults: Sequence[str] = ()) -> None:
        self._world = World(machine, tick=machine.scan, budget=len(faults), faults=list(faults))
        self.situations: set[Situation] = set(self._world.starts())

    def ticks(self, before: Situation, frame: Frame) -> Iterator[tuple[Instant, Situation]]:
        """The ticks after a situation that agree with a frame."""
        for instant, after in self._world.after(before):
            if _shows(instant, after, frame):
                yield instant, after

    def follow(self, frame: Frame) -> None:
        """Takes in one more frame; no situation is left if no run of the oracle shows it."""
        self.situations = {after for before in self.situations for _, after in self.ticks(before, frame)}


def _shows(instant: Instant, after: Situation, frame: Frame) -> bool:
    """Whether circuits, outputs, memory and states are those of a frame."""
    shown = {**frame.circuits, **frame.outputs, **frame.memory}
    if any(instant.names[name] != int(level) for name, level in shown.items()):
        return False
    active = after.controlled.active if after.controlled else (None,) * len(frame.states)
    return tuple(frame.states.values()) == active
