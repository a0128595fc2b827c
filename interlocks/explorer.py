"""Drives the C exploration engine of a built checker library.

The engine's calls release the interpreter lock, so a search runs in a worker thread while
the main thread looks at its progress a few times a second, at the clock, and at Ctrl-C.
Packed states are Python integers here, bit 0 being the lowest bit of the first word.
"""

from __future__ import annotations

import ctypes
import os
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from stillgate.controller.errors import ProgramFault

_POLL_SECONDS = 0.1

_FAULTS = {
    4: "a story would be longer than the engine's depth field holds",
    16: "one step asks for more choices than the engine allows",
    17: "a step asks for a choice between too many options",
    18: "the step is not a function of its state and choices",
    19: "a requirement was reported before the first step",
    20: "a packed state has stray bits",
    32: "the operating system gives no thread",
    33: "there is not enough memory to begin",
    34: "a state was asked for that is not stored",
    35: "the engine was called out of order",
    36: "the engine's self-check found damage",
}


class Status(Enum):
    """How a search ended."""

    COMPLETE = "complete"
    STATE_CAP = "state cap"
    MEMORY_CAP = "memory cap"
    TIME_LIMIT = "time limit"
    INTERRUPT = "interrupt"

    @property
    def words(self) -> str:
        """What stopped it; empty if nothing did."""
        return "" if self is Status.COMPLETE else self.value


@dataclass(frozen=True, slots=True)
class Limits:
    """Caps of a search; None is no cap."""

    threads: int | None = None  # default: one a processor
    states: int | None = None
    bytes: int | None = None
    seconds: float | None = None


@dataclass(frozen=True, slots=True)
class Progress:
    """A look at a running search."""

    states: int
    transitions: int
    depth: int
    bytes: int
    seconds: float
    faults: int = 0


@dataclass(frozen=True, slots=True)
class StuckStates:
    """States all of whose transitions lead to themselves; the least of them by (depth, key)."""

    states: int
    depth: int
    key: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a search covered."""

    status: Status
    states: int
    transitions: int
    levels: int  # levels expanded completely
    bytes: int
    seconds: float
    threads: int
    initial_states: int
    stuck: StuckStates | None

    @property
    def bytes_per_state(self) -> float:
        """Memory of everything that grows, per stored state."""
        return self.bytes / max(1, self.states)


@dataclass(frozen=True, slots=True)
class Record:
    """The least of the first transitions in which something happened."""

    depth: int  # of the state it leads to
    start: int  # packed state it leaves
    picks: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class PackedPath:
    """Packed states from a start state to a target, and the choices between them."""

    keys: tuple[int, ...]
    picks: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True)
class Unable:
    """States from which a goal cannot be reached; the least of them by (depth, key)."""

    states: int
    depth: int
    key: int


@dataclass(frozen=True, slots=True)
class Transition:
    """One transition of a state."""

    key: int
    picks: tuple[int, ...]
    events: tuple[int, ...]


class _Options(ctypes.Structure):
    _fields_ = (
        ("threads", ctypes.c_uint32),
        ("unused", ctypes.c_uint32),
        ("state_cap", ctypes.c_uint64),
        ("byte_cap", ctypes.c_uint64),
        ("first_buckets", ctypes.c_uint64),
    )


class _Progress(ctypes.Structure):
    _fields_ = tuple(
        (name, ctypes.c_uint64) for name in ("states", "transitions", "frontier", "bytes", "depth", "stop")
    )


class Explorer:
    """One exploration by a checker library.

    Raises:
        ProgramFault: if the library does not fit this driver, or the engine reports a fault.
    """

    def __init__(self, library: Path, limits: Limits, *, first_buckets: int = 0) -> None:
        self._limits = limits
        self._library = ctypes.CDLL(str(library))
        shape = (ctypes.c_uint32 * 18).in_dll(self._library, "sg_shape")
        self._words, self.breaks, self._marks, self.goals = shape[1], shape[2], shape[3], shape[4]
        self._event_words, self._most = shape[5], shape[6]
        self.threads = max(1, min(limits.threads or os.cpu_count() or 1, shape[7]))
        self._make_structures()
        wanted = [
            (shape[10], _Options), (shape[11], _Progress), (shape[12], self._Summary), (shape[13], self._Record),
            (shape[14], self._Transition), (shape[16], self._Way), (shape[17], self._Unable),
        ]  # fmt: skip
        if any(size != ctypes.sizeof(kind) for size, kind in wanted):
            raise ProgramFault("the checker library does not fit its driver")
        self._library.sg_open.restype = ctypes.c_void_p
        self._library.sg_progress_of.restype = ctypes.POINTER(_Progress)
        self._library.sg_levels_of.restype = ctypes.POINTER(ctypes.c_uint64)
        self._library.sg_marks_of.restype = ctypes.POINTER(ctypes.c_uint8)
        self._library.sg_each.restype = ctypes.c_uint64
        options = _Options(
            self.threads, 0, limits.states or 2**62, limits.bytes or 2**62, first_buckets
        )  # fmt: skip
        status = ctypes.c_int()
        opened = self._library.sg_open(ctypes.byref(options), ctypes.byref(status))
        if not opened:
            raise ProgramFault(_FAULTS.get(status.value, f"the engine could not begin ({status.value})"))
        self._run: ctypes.c_void_p | None = ctypes.c_void_p(opened)

    def _make_structures(self) -> None:
        key = ctypes.c_uint64 * self._words
        picks = ctypes.c_uint16 * self._most
        u16, u32, u64 = ctypes.c_uint16, ctypes.c_uint32, ctypes.c_uint64

        def structure(name: str, *fields: tuple[str, object]) -> type[ctypes.Structure]:
            return type(name, (ctypes.Structure,), {"_fields_": fields})

        self._Key = key
        self._Summary = structure(
            "_Summary", ("states", u64), ("transitions", u64), ("bytes", u64), ("levels", u64), ("stuck", u64),
            ("stuck_depth", u32), ("deepest", u32), ("stuck_key", key),
        )  # fmt: skip
        self._Record = structure(
            "_Record", ("depth", u32), ("split", u16), ("picks", u16), ("pick", picks), ("start", key)
        )
        self._Transition = structure(
            "_Transition", ("to", key), ("events", u64 * self._event_words), ("split", u16), ("picks", u16),
            ("pick", picks), ("size", picks),
        )  # fmt: skip
        self._Way = structure("_Way", ("split", u16), ("picks", u16), ("pick", picks))
        self._Unable = structure("_Unable", ("count", u64), ("depth", u32), ("key", key))

    def close(self) -> None:
        """Gives the engine's memory back."""
        if self._run is not None:
            self._library.sg_close(self._run)
            self._run = None

    def run(self, progress: Callable[[Progress], None] | None = None) -> Outcome:
        """Searches until everything is found, a cap is met, time is up, or Ctrl-C."""
        began = time.monotonic()
        status = self._watched(lambda: int(self._library.sg_explore(self._run)), began, progress)
        seconds = time.monotonic() - began
        summary = self._Summary()
        self._library.sg_summary_of(self._run, ctypes.byref(summary))
        stuck = None
        if summary.stuck:
            stuck = StuckStates(summary.stuck, summary.stuck_depth, self._number(summary.stuck_key))
        return Outcome(
            status=status,
            states=summary.states,
            transitions=summary.transitions,
            levels=summary.levels,
            bytes=summary.bytes,
            seconds=seconds,
            threads=self.threads,
            initial_states=self._library.sg_levels_of(self._run)[0],
            stuck=stuck,
        )

    def _watched(
        self, call: Callable[[], int], began: float, progress: Callable[[Progress], None] | None = None
    ) -> Status:
        """Runs an engine call in a thread of its own and watches it."""
        answer: list[int] = []
        worker = threading.Thread(target=lambda: answer.append(call()), daemon=True)
        watched = self._library.sg_progress_of(self._run).contents
        why = Status.COMPLETE
        worker.start()
        while worker.is_alive():
            try:
                worker.join(_POLL_SECONDS)
                elapsed = time.monotonic() - began
                if self._limits.seconds is not None and elapsed >= self._limits.seconds and not watched.stop:
                    why, watched.stop = Status.TIME_LIMIT, 1
                if progress is not None and worker.is_alive():
                    progress(
                        Progress(watched.states, watched.transitions, watched.depth, watched.bytes, elapsed)
                    )
            except KeyboardInterrupt:
                why, watched.stop = Status.INTERRUPT, 1
        watched.stop = 0
        match answer[0]:
            case 0:
                return Status.COMPLETE
            case 1:
                return Status.STATE_CAP
            case 2:
                return Status.MEMORY_CAP
            case 3:
                return why
            case other:
                raise ProgramFault(_FAULTS.get(other, f"the engine reports {other}"))

    def record(self, event: int) -> Record | None:
        """First transition of a break (or, from ``breaks`` on, of a goal); None if it never happened."""
        found = self._Record()
        self._check(self._library.sg_record_of(self._run, event, ctypes.byref(found)))
        if not found.depth:
            return None
        return Record(found.depth, self._number(found.start), tuple(found.pick[: found.picks]))

    def paths(self, targets: Sequence[tuple[int, int]]) -> list[PackedPath]:
        """Shortest ways to stored states, given as (packed state, depth)."""
        if not targets:
            return []
        rows = sum(depth + 1 for _, depth in targets)
        wanted = (self._Key * len(targets))(*(self._key(key) for key, _ in targets))
        depths = (ctypes.c_uint32 * len(targets))(*(depth for _, depth in targets))
        keys = (self._Key * rows)()
        ways = (self._Way * rows)()
        self._check(self._library.sg_stories_of(self._run, len(targets), wanted, depths, keys, ways))
        found: list[PackedPath] = []
        row = 0
        for _, depth in targets:
            span = range(row, row + depth + 1)
            found.append(
                PackedPath(
                    tuple(self._number(keys[i]) for i in span),
                    tuple(tuple(ways[i].pick[: ways[i].picks]) for i in span[1:]),
                )
            )
            row += depth + 1
        return found

    def closure(self) -> list[Unable] | None:
        """For each goal the states that cannot reach it any more; None if interrupted."""
        found = (self._Unable * max(1, self.goals))()
        mask = (1 << self.goals) - 1
        status = self._watched(
            lambda: int(self._library.sg_closure_of(self._run, mask, found)), time.monotonic()
        )
        if status is not Status.COMPLETE:
            return None
        return [Unable(item.count, item.depth, self._number(item.key)) for item in found[: self.goals]]

    def marks(self) -> list[bool]:
        """Coverage marks."""
        marks = self._library.sg_marks_of(self._run)
        return [bool(marks[i]) for i in range(self._marks)]

    def each(self) -> dict[int, int]:
        """Every stored state with its depth."""
        count = self._library.sg_each(self._run, ctypes.c_uint64(0), None, None)
        keys = (self._Key * count)()
        depths = (ctypes.c_uint32 * count)()
        self._library.sg_each(self._run, ctypes.c_uint64(count), keys, depths)
        return {self._number(keys[i]): depths[i] for i in range(count)}

    def successors(self, key: int | None) -> list[Transition]:
        """Transitions of a state, or the initial states for None, in the order of their choices."""
        start = None if key is None else ctypes.byref(self._key(key))
        count = ctypes.c_uint64()
        self._check(self._library.sg_successors(start, ctypes.c_uint64(0), None, ctypes.byref(count)))
        found = (self._Transition * count.value)()
        self._check(self._library.sg_successors(start, count, found, ctypes.byref(count)))
        return [self._transition(item) for item in found]

    def step(self, key: int, picks: Sequence[int]) -> Transition:
        """One transition; choices beyond the given ones are 0."""
        found = self._Transition()
        chosen = (ctypes.c_uint16 * max(1, len(picks)))(*picks)
        self._check(
            self._library.sg_step(ctypes.byref(self._key(key)), chosen, len(picks), ctypes.byref(found))
        )
        return self._transition(found)

    def assert_consistent(self) -> None:
        """The engine's self-check."""
        self._check(self._library.sg_check(self._run))

    def _transition(self, item: ctypes.Structure) -> Transition:
        events = self._number(item.events)
        return Transition(
            self._number(item.to),
            tuple(item.pick[: item.picks]),
            tuple(i for i in range(events.bit_length()) if events >> i & 1),
        )

    def _check(self, status: int) -> None:
        if status:
            raise ProgramFault(_FAULTS.get(status, f"the engine reports {status}"))

    def _key(self, number: int) -> ctypes.Array[ctypes.c_uint64]:
        return self._Key(*(number >> 64 * i & (2**64 - 1) for i in range(self._words)))

    @staticmethod
    def _number(words: Sequence[int]) -> int:
        return sum(int(word) << 64 * i for i, word in enumerate(words))
