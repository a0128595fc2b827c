"""The closed loop in C, millions of scans a second: shifts under operators, and runs of events.

A shift is a run from power-on with its own seed, derived from the seed of the whole and the
shift's number; so any shift can be run again alone, in C or in the Python simulation, which
does the same scan by scan (tests hold them against each other).
"""

from __future__ import annotations

import ctypes
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from stillgate.controller.c.toolchain import build_library
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.program import Cell

from ..faults.disturbances import Disturbance
from .batch_program import CLOSE, FAST, Judging, LoopSource, kind_number
from .emit_batch import loop_source
from .operators import OperatorKind
from .seeded_choices import GAMMA, MASK, mix, start_of

EVERY_KIND = tuple(OperatorKind)


class _Event(ctypes.Structure):
    _fields_ = (("scan", ctypes.c_uint64), ("what", ctypes.c_int32), ("value", ctypes.c_int32))


@dataclass(frozen=True, slots=True)
class Setting:
    """One event: before scan number ``scan`` a cell of ``LoopSource.targets`` is set."""

    scan: int
    cell: Cell
    value: int


@dataclass(frozen=True, slots=True)
class Shifts:
    """What some shifts came to.

    Attributes:
        scans: scans that were run.
        taken: how often each exit was taken, by the controller's ``exit_marks``.
        broken_shift: the first shift that broke something, or None.
        broken: indices of what was broken in that shift's last scan.
    """

    scans: int
    taken: tuple[int, ...]
    broken_shift: int | None
    broken: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Run:
    """One run: the scan of the first break, or None, and with it what was broken there."""

    broken_at: int | None
    broken: tuple[int, ...]
    trace: tuple[tuple[int, ...], ...] = ()


def shift_seed(seed: int, shift: int) -> int:
    """The seed of one shift; below 2 to the 63."""
    return mix((start_of(seed) + shift * GAMMA) & MASK) >> 1


class BatchSimulation:
    """A machine's closed loop compiled for this computer; may be used by several threads at once.

    Args:
        machine: the machine.
        disturbances: there from the start of every shift, and to be set by events.
        judging: what is judged in every scan.
        mishaps: one of these begins at some time of every shift.

    Raises:
        ToolMissing: if there is no C compiler.
    """

    def __init__(
        self,
        machine: Machine,
        disturbances: Sequence[Disturbance] = (),
        judging: Judging | None = None,
        mishaps: Sequence[Disturbance] = (),
    ) -> None:
        self.source: LoopSource = loop_source(machine, disturbances, judging, mishaps)
        self._exits = len(self.source.controller.exit_marks)
        self._names = len(self.source.judging.names)
        self._words = max(1, -(-self._names // 64))
        self._targets = {cell: number for number, cell in enumerate(self.source.targets)}
        self._libraries: dict[tuple[str, ...], ctypes.CDLL] = {}

    def _function(self, name: str, options: tuple[str, ...]) -> Any:
        """A function of the loop, built with some options when it is first needed."""
        if options not in self._libraries:
            path = build_library(self.source.files, self.source.main, options=options)
            self._libraries[options] = ctypes.CDLL(str(path))
        function = getattr(self._libraries[options], name)
        function.restype = ctypes.c_int64
        return function

    def prepare(self) -> None:
        """Compiles what shifts need, which takes some seconds the first time."""
        self._function("shifts", FAST)

    def shifts(
        self,
        first: int,
        many: int,
        *,
        seed: int,
        scans: int,
        kinds: Sequence[OperatorKind] = EVERY_KIND,
    ) -> Shifts:
        """Runs shifts number ``first`` and on, ending with the first that breaks something.

        Args:
            first: number of the first shift.
            many: how many.
            seed: of the whole; every shift has its own from it.
            scans: of each shift.
            kinds: operators, one after another, a shift each.
        """
        taken, broken = self._arrays()
        done = ctypes.c_uint64(0)
        numbers = (ctypes.c_uint8 * len(kinds))(*map(kind_number, kinds))
        found = self._function("shifts", FAST)(
            ctypes.c_uint64(first), ctypes.c_uint64(many), ctypes.c_uint64(start_of(seed)),
            ctypes.c_uint64(scans), numbers, ctypes.c_uint64(len(kinds)), taken, broken,
            ctypes.byref(done),
        )  # fmt: skip
        return Shifts(
            scans=done.value,
            taken=tuple(taken[: self._exits]),
            broken_shift=None if found < 0 else found,
            broken=self._broken(broken) if found >= 0 else (),
        )

    def run(
        self,
        scans: int,
        *,
        seed: int,
        operator: OperatorKind | None = None,
        settings: Sequence[Setting] = (),
    ) -> Run:
        """Runs until something is broken, under an operator or under settings in order of time."""
        return self._run(scans, seed, operator, settings, None)

    def trace(
        self,
        scans: int,
        *,
        seed: int,
        operator: OperatorKind | None = None,
        settings: Sequence[Setting] = (),
    ) -> Run:
        """The same without stopping, with the values of ``source.traced`` in every scan, and behind
        them 1 for everything broken in it.
        """
        width = len(self.source.traced) + self._names
        rows = (ctypes.c_int32 * max(1, scans * width))()
        run = self._run(scans, seed, operator, settings, rows)
        trace = tuple(tuple(rows[i * width : (i + 1) * width]) for i in range(scans))
        return Run(run.broken_at, (), trace)

    def _run(
        self,
        scans: int,
        seed: int,
        operator: OperatorKind | None,
        settings: Sequence[Setting],
        rows: ctypes.Array[ctypes.c_int32] | None,
    ) -> Run:
        taken, broken = self._arrays()
        call = self._function("trace", CLOSE)
        found = call(
            ctypes.c_uint(kind_number(operator)), ctypes.c_uint64(scans), ctypes.c_uint64(seed),
            self._events(settings), ctypes.c_uint64(len(settings)), taken, broken, rows,
            ctypes.c_int(rows is None),
        )  # fmt: skip
        return Run(None, ()) if found < 0 else Run(int(found), self._broken(broken))

    def _arrays(self) -> tuple[ctypes.Array[ctypes.c_uint64], ctypes.Array[ctypes.c_uint64]]:
        return (ctypes.c_uint64 * max(1, self._exits))(), (ctypes.c_uint64 * self._words)()

    def _events(self, settings: Sequence[Setting]) -> ctypes.Array[_Event]:
        return (_Event * max(1, len(settings)))(
            *(_Event(item.scan, self._targets[item.cell], item.value) for item in settings)
        )

    def _broken(self, words: ctypes.Array[ctypes.c_uint64]) -> tuple[int, ...]:
        return tuple(i for i in range(self._names) if words[i // 64] >> (i % 64) & 1)
