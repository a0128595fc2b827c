"""Compares stored sets with the deployed controller, step by single step.

A search over sets steps the statements of the loop. What is put to work is C compiled from the same
Program. So from points at the bounds of the stored sets, single ticks are stepped through that C, with
answers drawn at random, and what they lead to must lie in the stored sets again.
"""

from __future__ import annotations

import ctypes
from pathlib import Path as FilePath

from stillgate.controller.errors import ProgramFault

from ..exploration.engine_abi import Library, fault, key_number
from ..loop.state_layout import Key, pack, packed_fields, unpack
from .search import SymbolicSearch

POINTS = 10_000
"""Points that a check compares, spread evenly over the stored sets; of few sets several each."""

_LOOK = 256  # points between two looks at the clock


def compare_with_deployed(search: SymbolicSearch, keys: int, deployed: FilePath, most: int = POINTS) -> int:
    """Steps points of an exhausted search's sets through the deployed controller.

    Args:
        keys: how many keys the search came to.
        deployed: checker of the same loop, with the deployed controller in it.
        most: points at most.

    Returns:
        How many were compared: fewer than ``most`` where the effort was over before.

    Raises:
        ProgramFault: if a step leads to a situation that no stored set holds.
    """
    c = Library(deployed)
    fields = packed_fields(search.loop)
    step = c.Transition()
    for number in range(most if keys else 0):
        if number % _LOOK == 0 and search.effort.over:
            return number
        point = search.point(number * keys // most if keys > most else number % keys, number)
        if code := c.functions.sg_step_drawn(
            ctypes.byref(c.key(pack(fields, point))), number, ctypes.byref(step)
        ):
            raise fault(code)
        reached = unpack(fields, key_number(step.to))
        if not search.holds(reached):
            raise ProgramFault(
                f"the deployed controller leads out of the stored sets: {_named(search, point)} to "
                f"{_named(search, reached)}"
            )
    return most if keys else 0


def _named(search: SymbolicSearch, key: Key) -> str:
    """What of a stored state is not 0."""
    cells = zip(search.source.key_cells, key, strict=True)
    return "{" + ", ".join(f"{cell.name} = {value}" for cell, value in cells if value) + "}"
