"""Cuts a long run that breaks a requirement down to a short one that breaks it too.

Tries, again and again until nothing helps: leaving events out (delta debugging: Zeller and
Hildebrandt 2002, 'Simplifying and isolating failure-inducing input', the minimising
algorithm ddmin), letting everything happen earlier, drawing from a smaller seed, rounding
times. Every attempt is a run in C judged by the same monitors, and is kept only if the same
requirement breaks no later. What comes out is no shortest run, only one in which no single
event can be left out; the check's stories are the shortest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

from stillgate.controller.program.program import Cell

Change = tuple[int, Cell, int]
"""(number of the scan, what is set, value)"""

MOST_ATTEMPTS = 4000
"""Runs tried; some seconds."""

SMALL_SEEDS = 40

LEAD = 50
"""Scans left before the first event when a whole beginning is cut off."""


@dataclass(frozen=True, slots=True)
class ShorterRun:
    """A run: what is set when, from which seed, and the scan of its break."""

    changes: tuple[Change, ...]
    seed: int
    broken_at: int


Breaks = Callable[[tuple[Change, ...], int, int], int | None]
"""Runs changes from a seed for some scans: the scan in which the requirement breaks, or None."""


def cut_down(run: ShorterRun, breaks: Breaks, *, attempts: int = MOST_ATTEMPTS) -> ShorterRun:
    """A shorter run that breaks the same.

    Args:
        run: a run that breaks; its changes are in order of time.
        breaks: tells whether and when another does.
        attempts: runs to try at most.
    """
    cutter = _Cutter(run, breaks, attempts)
    while cutter.left and cutter.improve():
        pass
    return cutter.best


class _Cutter:
    def __init__(self, run: ShorterRun, breaks: Breaks, attempts: int) -> None:
        self.best, self.left = run, attempts
        self._breaks = breaks

    def improve(self) -> bool:
        """One round of everything; whether something helped."""
        before = self.best
        self._start_later()
        self._leave_out()
        self._close_gaps()
        self._smaller_seed()
        self._round_times()
        return self.best != before

    def _try(self, changes: tuple[Change, ...], seed: int | None = None) -> bool:
        """Runs an attempt and keeps it if it breaks no later."""
        if not self.left:
            return False
        self.left -= 1
        seed = self.best.seed if seed is None else seed
        found = self._breaks(changes, seed, self.best.broken_at + 1)
        if found is None:
            return False
        self.best = ShorterRun(tuple(item for item in changes if item[0] <= found), seed, found)
        return True

    def _start_later(self) -> None:
        """Leaves out a whole beginning, and what follows happens that much earlier."""
        size = len(self.best.changes)
        for keep in dict.fromkeys((size // 64, size // 16, size // 4, size // 2, size * 3 // 4)):
            skipped, rest = self.best.changes[: size - keep], self.best.changes[size - keep :]
            if not skipped or not rest:
                continue
            offset = max(0, rest[0][0] - LEAD)
            # The levels that the beginning left behind are there from the start.
            levels = {cell: (0, cell, value) for _, cell, value in skipped}
            moved = tuple((scan - offset, cell, value) for scan, cell, value in rest)
            if self._try((*levels.values(), *moved)):
                return

    def _leave_out(self) -> None:
        """The minimising algorithm: complements of ever smaller pieces."""
        pieces = 2
        while self.left and len(self.best.changes) > 1:
            size = len(self.best.changes)
            length = -(-size // pieces)
            for start in range(0, size, length):
                changes = self.best.changes
                if self._try(changes[:start] + changes[start + length :]):
                    pieces = max(2, pieces - 1)
                    break
            else:
                if length == 1:
                    break
                pieces = min(size, 2 * pieces)
        if len(self.best.changes) == 1:
            self._try(())

    def _close_gaps(self) -> None:
        """Shortens the time before every event."""
        number = 0
        while self.left and number < len(self.best.changes):
            for gap in _shorter(self._gap(number)):
                if self._try(self._moved(number, self._gap(number) - gap)):
                    break
            number += 1

    def _gap(self, number: int) -> int:
        changes = self.best.changes
        if number >= len(changes):
            return 0
        return changes[number][0] - (changes[number - 1][0] if number else 0)

    def _moved(self, number: int, earlier: int) -> tuple[Change, ...]:
        changes = self.best.changes
        later = tuple((scan - earlier, cell, value) for scan, cell, value in changes[number:])
        return changes[:number] + later

    def _smaller_seed(self) -> None:
        for seed in range(min(SMALL_SEEDS, self.best.seed)):
            if self._try(self.best.changes, seed):
                return

    def _round_times(self) -> None:
        """Moves every event to a multiple of ten or five scans, if the break is hardly later."""
        for unit in (50, 10, 5):
            for number, (scan, _, _) in enumerate(self.best.changes):
                for rounded in (scan // unit * unit, -(-scan // unit) * unit):
                    changes = self.best.changes
                    if number >= len(changes) or rounded == scan:
                        continue
                    moved = replace_at(changes, number, rounded)
                    if all(one[0] <= two[0] for one, two in pairwise(moved)) and self._try(moved):
                        break


def replace_at(changes: tuple[Change, ...], number: int, scan: int) -> tuple[Change, ...]:
    """The changes with one of them at another scan."""
    _, cell, value = changes[number]
    return (*changes[:number], (scan, cell, value), *changes[number + 1 :])


def _shorter(gap: int) -> Iterator[int]:
    """Shorter gaps to try: none at all first, then a half, three quarters and one scan less."""
    if gap > 0:
        yield from dict.fromkeys((0, 1, gap // 8, gap // 4, gap // 2, gap * 3 // 4, gap - 1))
