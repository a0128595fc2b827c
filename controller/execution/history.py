"""Since when each thing has been as it is: what a reason needs beside the values themselves.

One time stamp a cell, moved when a scan leaves the cell with another value, and one for
each state a sequence has left. A loss of power starts every stamp anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from ..machine_file.field_types import Milliseconds
from ..program.evaluate import Layout, Values
from ..program.program import Cell


@dataclass(frozen=True, slots=True)
class Stamps:
    """A copy of a history, for snapshots."""

    changed: tuple[Milliseconds | None, ...]
    left: tuple[tuple[tuple[int, int], Milliseconds], ...]
    began: Milliseconds


@dataclass
class ValueHistory:
    """Time stamps of cells and of states left, by slot of a layout.

    ``watched`` are the sequences' active cells, whose old values are remembered too.
    """

    layout: Layout
    watched: Iterable[Cell]
    began: Milliseconds = 0  # power-on
    _changed: list[Milliseconds | None] = field(default_factory=list)
    _left: dict[tuple[int, int], Milliseconds] = field(default_factory=dict)
    _watched: frozenset[int] = frozenset()

    def __post_init__(self) -> None:
        self._watched = frozenset(self.layout.slot(cell) for cell in self.watched)
        self.restart(self.began)

    def restart(self, now: Milliseconds) -> None:
        """Forgets everything: power has come or gone."""
        self.began = now
        self._changed = [None] * len(self.layout.cells)
        self._left = {}

    def note(self, before: Values, after: Values, now: Milliseconds) -> None:
        """Takes notice of the values a scan began and ended with."""
        for slot, (old, new) in enumerate(zip(before, after, strict=True)):
            if old != new:
                self._changed[slot] = now
                if slot in self._watched:
                    self._left[slot, old] = now

    def since(self, cell: Cell) -> Milliseconds | None:
        """When the cell took its value; None if it has had it since power-on."""
        return self._changed[self.layout.slot(cell)]

    def left(self, cell: Cell, number: int) -> Milliseconds | None:
        """When a sequence last left a state; None if it has not been there since power-on."""
        return self._left.get((self.layout.slot(cell), number))

    def lasting(self, since: Milliseconds | None, now: Milliseconds) -> Milliseconds | None:
        """How long something has been so; None if it always was and power has only just come."""
        if since is None:
            return now - self.began if now > self.began else None
        return now - since

    def stamps(self) -> Stamps:
        """A copy to come back to."""
        return Stamps(tuple(self._changed), tuple(self._left.items()), self.began)

    def restore(self, stamps: Stamps) -> None:
        """Comes back to a copy."""
        self.began = stamps.began
        self._changed = list(stamps.changed)
        self._left = dict(stamps.left)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All a controller remembers.

    ``cells`` are the values of ``program.cells``. Controllers with equal snapshots behave alike
    from here on; times are kept beside and not compared.
    """

    cells: tuple[int, ...]
    values: tuple[int, ...] = field(compare=False, repr=False)
    stamps: Stamps = field(compare=False, repr=False)
    scans: int = field(compare=False)
    scanned: bool = field(compare=False)

    def with_cells(self, cells: Sequence[int]) -> Snapshot:
        """The same with other values of ``program.cells``, which come first among all values."""
        return replace(self, cells=tuple(cells), values=(*cells, *self.values[len(cells) :]))
