"""The same search in plain Python and in numba, for the C engine to be timed against.

Both are level-synchronous breadth-first searches around the step of ``step_source``:

* ``DictSearch``: visited states in a dict of ints, the way a product in Python would do it;
* ``NumbaSearch``: nopython, states in rows of 64-bit words, found again through an open-addressed
  table of row numbers. It is given the room it will need beforehand, so it never rehashes. Its step is
  compiled in functions of bounded length (``short_functions``); one long one is more than numba can take.

A level is worked off in pieces, so that a time limit ends a search with whole pieces counted.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from types import FunctionType
from typing import Any

from stillgate.interlocks.loop.closed_loop import ClosedLoop
from stillgate.interlocks.loop.interpreter import LoopRunner
from stillgate.interlocks.loop.state_layout import key_bits, pack, packed_fields

from .short_functions import with_short_functions
from .step_source import MOST_CHOICES, Dialect, step_source

_PIECE = 2000  # states expanded between two looks at the clock


@dataclass(frozen=True, slots=True)
class Visited:
    """What a search visited.

    Attributes:
        sizes: states at each depth, as far as complete.
        expanded: states whose transitions were enumerated.
        transitions: enumerated, self-loops and repetitions included.
        seconds: wall time of the search alone, without building the step.
        complete: whether nothing was left to expand.
        broken: first depth at which each requirement breaks, 0 for never.
    """

    states: int
    expanded: int
    transitions: int
    seconds: float
    sizes: tuple[int, ...]
    complete: bool
    broken: tuple[int, ...] = ()


def initial_states(loop: ClosedLoop) -> list[int]:
    """Packed states that a machine may be switched on in, each once."""
    runner, fields = LoopRunner(loop), packed_fields(loop)
    found: dict[int, None] = {}
    for choices in _odometer(runner):
        del choices
        found[pack(fields, runner.key())] = None
    return list(found)


def _odometer(runner: LoopRunner) -> Iterator[list[int]]:
    picks: list[int] = []
    while True:
        sizes: list[int] = []

        def choose(name: str, count: int, sizes: list[int] = sizes) -> int:
            if len(sizes) == len(picks):
                picks.append(0)
            sizes.append(count)
            return picks[len(sizes) - 1]

        runner.begin(choose)
        yield picks
        while picks and picks[-1] + 1 >= sizes[len(picks) - 1]:
            picks.pop()
        if not picks:
            return
        picks[-1] += 1


class DictSearch:
    """Plain Python: generated source, a dict of packed states."""

    def __init__(self, loop: ClosedLoop) -> None:
        self.starts = initial_states(loop)
        source = step_source(loop, Dialect.PLAIN)
        names: dict[str, Any] = dict(source.tables)
        exec(compile(source.text, "step.py", "exec"), names)
        self._expand = names["expand"]
        self._broken = (0,) * max(1, len(loop.requirement_names))
        self._taken = (0,) * max(1, len(loop.controller.exit_marks) + len(loop.monitors.triggers))

    def run(self, seconds: float = float("inf")) -> Visited:
        """Searches to the end or until the time is up."""
        began = time.perf_counter()
        broken, taken = [0] * len(self._broken), [0] * len(self._taken)
        seen = dict.fromkeys(self.starts, 0)
        level, sizes, transitions, expanded, depth = self.starts, [len(self.starts)], 0, 0, 0
        whole = True
        while level and whole:
            depth += 1
            following: list[int] = []
            for at in range(0, len(level), _PIECE):
                piece = level[at : at + _PIECE]
                new, count = self._expand(piece, seen, depth, broken, taken)
                following += new
                expanded += len(piece)
                transitions += count
                whole = time.perf_counter() - began < seconds
                if not whole:
                    break
            if whole and following:
                sizes.append(len(following))
            level = following
        spent = time.perf_counter() - began
        return Visited(len(seen), expanded, transitions, spent, tuple(sizes), whole, tuple(broken))


class NumbaSearch:
    """Numba in nopython mode: generated source, an open-addressed table.

    Args:
        room: most states that it will have to hold.

    Raises:
        ImportError: if numba is not installed.
    """

    def __init__(self, loop: ClosedLoop, room: int) -> None:
        import numba
        import numpy

        self._numpy = numpy
        self.starts = initial_states(loop)
        self.room = max(room, len(self.starts) + 1)
        self.words = (key_bits(packed_fields(loop)) + 63) // 64
        source = step_source(loop, Dialect.NUMBA)
        names: dict[str, Any] = {
            name: numpy.array(values, dtype=_narrowest(values)) for name, values in source.tables.items()
        }
        exec(compile(with_short_functions(source.text), "step.py", "exec"), names)
        for name, function in names.items():
            if isinstance(function, FunctionType):
                names[name] = numba.njit(nogil=True)(function)
        self._expand = names["expand"]
        self._broken = numpy.zeros(max(1, len(loop.requirement_names)), dtype=numpy.int64)
        self._taken = numpy.zeros(
            max(1, len(loop.controller.exit_marks) + len(loop.monitors.triggers)), dtype=numpy.int64
        )
        began = time.perf_counter()
        self.run(states_at_most=len(self.starts))  # compiles
        self.compile_seconds = time.perf_counter() - began

    def run(self, seconds: float = float("inf"), states_at_most: int | None = None) -> Visited:
        """Searches to the end, until the time is up, or until the room is used up."""
        numpy = self._numpy
        slots = 1 << (2 * self.room).bit_length()
        states = numpy.zeros((self.room, self.words), dtype=numpy.uint64)
        table = numpy.zeros(slots, dtype=numpy.int32)
        pick = numpy.zeros(MOST_CHOICES, dtype=numpy.int64)
        size = numpy.zeros(MOST_CHOICES, dtype=numpy.int64)
        count = len(self.starts)
        for row, key in enumerate(self.starts):
            words = [key >> 64 * word & (2**64 - 1) for word in range(self.words)]
            slot = _hash(words) & slots - 1
            while table[slot]:
                slot = slot + 1 & slots - 1
            states[row] = words
            table[slot] = row + 1
        if states_at_most is not None:  # an empty piece: compiled, nothing searched
            self._expand(states, table, 0, 0, count, 1, self._broken, self._taken, pick, size)
            return Visited(count, 0, 0, 0.0, (count,), False)
        began = time.perf_counter()
        low, high, transitions, depth, sizes = 0, count, 0, 0, [count]
        while low < high:
            depth += 1
            for at in range(low, high, _PIECE):
                end = min(at + _PIECE, high)
                count, found = self._expand(
                    states, table, at, end, count, depth, self._broken, self._taken, pick, size
                )
                transitions += found
                late = time.perf_counter() - began > seconds
                if count < 0 or (late and end < high):
                    states_now = self.room if count < 0 else count
                    spent = time.perf_counter() - began
                    return Visited(states_now, end, transitions, spent, tuple(sizes), False)
            low, high = high, count
            if low < high:
                sizes.append(high - low)
                if time.perf_counter() - began > seconds:
                    break
        spent = time.perf_counter() - began
        return Visited(count, low, transitions, spent, tuple(sizes), low >= high)


def _narrowest(values: tuple[int, ...]) -> str:
    low, high = min(values, default=0), max(values, default=0)
    return "int32" if low < 0 or high > 65535 else "uint8" if high < 256 else "uint16"


def _hash(words: list[int]) -> int:
    """The hash that the generated step finds rows by."""
    h = 0x9E3779B97F4A7C15
    for word in words:
        h = (h ^ word) * 0xD6E8FEB86659FD93 & (2**64 - 1)
        h ^= h >> 32
    return h
