"""A search over sets that tells faults apart, asked what each of them leads to (``engine/fault_graph.h``)."""

from __future__ import annotations

import ctypes
from dataclasses import dataclass

from stillgate.controller.program.program import Cell

from .search import SymbolicSearch

_NEVER_ENDS = 2**31 - 1


@dataclass(frozen=True, slots=True)
class UnderFaultSets:
    """What keys and sets say of a fault: what they rule out does not happen, what they allow need not.

    Attributes:
        restless: a run may stop and work again for ever.
        longest: ticks after which the machine works no more, counted by the clock that was asked for; None if
            the clock came to its end before.
    """

    restless: bool
    longest: int | None


class FaultSearch(SymbolicSearch):
    """A search over sets of a loop with one fault, whose key holds the fault's phase."""

    def faults_lead_to(self, phase: Cell, since: Cell | None = None) -> list[UnderFaultSets] | None:
        """What the keys of an exhausted search say of each fault, by its number.

        None if memory is at its end.

        Args:
            phase: a cell of the key: 0 before a fault has begun, then even where the machine worked in the
                last tick and odd where it did not.
            since: a clock of the key: ticks since a fault began, of which its last value stands for any
                number.
        """
        cells = self.source.key_cells
        count = self.loop.fault.high + 1
        restless, longest = (ctypes.c_ubyte * count)(), (ctypes.c_int * count)()
        places = [
            cells.index(self.loop.fault),
            cells.index(phase),
            -1 if since is None else cells.index(since),
        ]
        limit = 0 if since is None else since.high
        if not self._c.sy_faults_lead_to(self._handle, *places, limit, restless, longest):
            return None
        return [
            UnderFaultSets(bool(circle), ticks if ticks < _NEVER_ENDS else None)
            for circle, ticks in zip(restless, longest, strict=True)
        ]
