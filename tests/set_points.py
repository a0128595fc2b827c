"""What sets of times stand for: their points, and whether a stored state lies in one of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from stillgate.interlocks.loop.state_layout import Key
from stillgate.interlocks.symbolic.engine_abi import StoredSet
from stillgate.interlocks.symbolic.search import SymbolicSearch

UNBOUNDED = 2**31 - 1
_STATUSES = (-1, -2, -3)  # of a clock that is in the set: runs, stands still, counts


class StoredSets:
    """The sets of a finished search, or those given, to be listed point by point or asked for one."""

    def __init__(self, search: SymbolicSearch, sets: Iterable[StoredSet] | None = None) -> None:
        self.cells = search.source.key_cells
        held = set(search.source.clocks)
        self.held = [cell in held for cell in self.cells]
        down = {clock.cell for clock in search.loop.clocks if clock.counts_down}
        self.sign = [-1 if cell in down else 1 for cell in self.cells]
        self.stored = list(search.stored() if sets is None else sets)
        self.by_plain: dict[tuple[int, ...], list[StoredSet]] = defaultdict(list)
        for item in self.stored:
            self.by_plain[self._plain(item[0])].append(item)

    def _plain(self, key: Sequence[int]) -> tuple[int, ...]:
        return tuple(value for value, held in zip(key, self.held, strict=True) if not held)

    def _dimensions(self, key: tuple[int, ...]) -> list[int]:
        return [i for i, value in enumerate(key) if self.held[i] and value in _STATUSES]

    def points(self) -> Iterator[Key]:
        """Every stored state that some set holds."""
        for key, n, bounds in self.stored:
            dimensions = self._dimensions(key)
            assert len(dimensions) == n - 1
            for values in _points([], n, bounds):
                point = list(key)
                for i, value in zip(dimensions, values, strict=True):
                    point[i] = self.sign[i] * value
                yield tuple(point)

    def hold(self, state: Key) -> bool:
        """Whether a state lies in one of the sets."""
        return self.count(state) > 0

    def count(self, state: Key) -> int:
        """How many of the sets hold a state."""
        return sum(self._holds(item, state) for item in self.by_plain[self._plain(state)])

    def _holds(self, item: StoredSet, state: Key) -> bool:
        key, n, bounds = item
        dimensions = self._dimensions(key)
        if any(self.held[i] and i not in dimensions and key[i] != state[i] for i in range(len(key))):
            return False
        x = [0, *(self.sign[i] * state[i] for i in dimensions)]
        return all(
            bounds[i * n + j] == UNBOUNDED or x[i] - x[j] <= bounds[i * n + j]
            for i in range(n)
            for j in range(n)
        )


def _points(found: list[int], n: int, bounds: tuple[int, ...]) -> Iterator[list[int]]:
    d = len(found) + 1
    if d == n:
        yield found
        return
    x = [0, *found]
    high = min(x[j] + bounds[d * n + j] for j in range(d) if bounds[d * n + j] != UNBOUNDED)
    low = max(x[j] - bounds[j * n + d] for j in range(d) if bounds[j * n + d] != UNBOUNDED)
    for value in range(low, high + 1):
        yield from _points([*found, value], n, bounds)
