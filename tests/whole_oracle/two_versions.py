"""Two versions of a machine, tick by tick side by side: when they first ask for different outputs."""

from __future__ import annotations

from itertools import product

from stillgate.controller.machine_file.machine import Machine

from .judging import TooLarge
from .plant import Plant
from .scanning import Controller


def first_difference(old: Machine, new: Machine, *, tick: int, most: int) -> int | None:
    """The first instant at which one asks for an output that both have, and the other does not.

    The parts are the old version's, and its outputs move them. Without faults.

    Raises:
        TooLarge: if more than ``most`` ticks are to be looked at.
    """
    plant = Plant(old, tick)
    one, other = Controller(old, tick), Controller(new, tick)
    free = [name for name in dict.fromkeys((*old.inputs, *new.inputs)) if name not in plant.sensed]
    outputs = [name for name in old.outputs if name in new.outputs]
    starts = plant.starts((0,) * len(old.outputs))
    level = {(one.cold(), other.cold(), standing) for standing in starts}
    seen = set(level)
    depth = looked_at = 0
    while level:
        following = set()
        for left, right, standing in level:
            for levels in product((0, 1), repeat=len(free)):
                circuits = dict(zip(free, levels, strict=True)) | plant.circuits(standing)
                after = one.scan(left, tuple(circuits[name] for name in old.inputs)).after
                beside = other.scan(right, tuple(circuits[name] for name in new.inputs)).after
                asked = dict(zip(old.outputs, after.written, strict=True))
                asked_too = dict(zip(new.outputs, beside.written, strict=True))
                if any(asked[name] != asked_too[name] for name in outputs):
                    return depth
                moved = plant.move(standing, after.written).after
                following |= {(after, beside, ahead) for ahead in moved}
                looked_at += len(moved)
                if looked_at > most:
                    raise TooLarge
        level = following - seen
        seen |= level
        depth += 1
    return None
