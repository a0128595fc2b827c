"""Runs a built checker: exhaustive breadth-first search, stories, possibility closure.

The engine is C (``explorer.c`` says how it works). Here its calls run in a thread of their
own while the calling thread looks at the clock, tells progress and takes Ctrl-C, which ends
the search with what it found so far. A packed state is one number; picks are the answers to
the choices of one step, in the order they were asked.
"""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from functools import partial
from pathlib import Path
from typing import Any, Self

from stillgate.controller.effort import Effort, OutOfTime, apart
from stillgate.controller.errors import UsageError

from .engine_abi import GOALS_AT_ONCE, Code, Library, Options, fault, key_number

_WITHOUT_CAP = (1 << 63) - 1


class Status(Enum):
    """How a search ended. All but ``COMPLETE`` leave what did not break undecided."""

    COMPLETE = ""
    STATE_CAP = "state cap"
    MEMORY_CAP = "memory cap"
    TIME_LIMIT = "time limit"
    INTERRUPT = "interrupt"
    DEPTH_FIELD = "depth cap"

    @property
    def words(self) -> str:
        """What stopped it, in words; empty if nothing did."""
        return self.value


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a search is."""

    states: int
    transitions: int
    frontier: int  # states found and not expanded yet
    bytes: int
    depth: int  # ticks from power-on of the states being expanded
    seconds: float
    faults: int = 0


@dataclass(frozen=True, slots=True)
class CutOffStates:
    """States with something in common: how many, and the least of them by depth, then number."""

    states: int
    depth: int
    key: int


@dataclass(frozen=True, slots=True)
class SearchOutcome:
    """What a search covered."""

    status: Status
    states: int
    transitions: int
    levels: int  # depths whose states were all expanded
    sizes: tuple[int, ...]  # states at each depth; the last is partial if the search was cut short
    stuck: CutOffStates | None  # states all of whose transitions lead to themselves
    seconds: float
    bytes: int
    threads: int

    @property
    def initial_states(self) -> int:
        """States the machine may be switched on in."""
        return self.sizes[0]

    @property
    def bytes_per_state(self) -> float:
        """Memory of tables, queues and buffers at the end, divided by the states."""
        return self.bytes / max(1, self.states)


@dataclass(frozen=True, slots=True)
class FirstEvent:
    """The least of the first transitions in which something happened."""

    depth: int  # ticks up to and with that transition
    start: int  # the state it starts from
    picks: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class StatePath:
    """A shortest way from power-on: ``keys`` has one more than ``picks``."""

    keys: tuple[int, ...]
    picks: tuple[tuple[int, ...], ...]
    initial_picks: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Transition:
    """One step: where it leads, the choices it asked, what it reported."""

    to: int
    picks: tuple[int, ...]
    sizes: tuple[int, ...]  # how many answers each choice had
    events: frozenset[int]  # breaks first, then goals


class Explorer:
    """A search with a built checker; close it to give its memory back.

    Args:
        effort: where it gives up.
        first_buckets: of each thread's table at first; the least possible is taken if it is more.

    Raises:
        UsageError: if the memory allowed does not hold the smallest tables.
        ProgramFault: if the library does not fit, or a step turns out to be faulty.
    """

    def __init__(self, library: Path, effort: Effort | None = None, *, first_buckets: int = 0) -> None:
        self.effort = effort or Effort()
        self._library = Library(library)
        self._lib = self._library.functions
        self.breaks = self._library.shape.breaks
        self.goals = self._library.shape.goals
        self.threads = min(self.effort.lines, self._library.shape.max_threads)
        cap = _WITHOUT_CAP if self.effort.states is None else self.effort.states
        code = ctypes.c_int()
        options = Options(self.threads, 0, cap, self.effort.bytes, first_buckets)
        self._run: int | None = self._lib.sg_open(ctypes.byref(options), ctypes.byref(code))
        if not self._run and code.value == Code.NO_MEMORY:
            raise UsageError(self._too_little(options))
        if not self._run:
            raise fault(code.value)
        self._counters = self._lib.sg_progress_of(self._run).contents
        self.interrupted = False  # whether Ctrl-C or another stop has come during a long call
        self._began = time.monotonic()  # the present long call
        self._broken_at: float | None = None  # seconds of the search after which the latest break was known
        self._outcome: SearchOutcome | None = None
        self._closure: tuple[CutOffStates, ...] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Gives the memory back."""
        run, self._run = self._run, None
        if run:
            del self._counters
            self._lib.sg_close(run)

    def _too_little(self, options: Options) -> str:
        """What to say of a memory cap that the smallest tables do not fit in."""
        said = f"a memory limit of {options.byte_cap:,} bytes is too little to begin a search"
        code = ctypes.c_int()
        for megabytes in (1 << power for power in range(14)):
            options.byte_cap = megabytes << 20
            run = self._lib.sg_open(ctypes.byref(options), ctypes.byref(code))
            if run:
                self._lib.sg_close(run)
                return f"{said}; it begins with {megabytes} MiB, and needs more to get far"
        return f"{said}, and this computer does not give it more"

    def run(self, progress: Callable[[Progress], None] | None = None) -> SearchOutcome:
        """The whole search, to its end, a limit or Ctrl-C; the same outcome when called again.

        Args:
            progress: called in the calling thread a few times a second.
        """
        if self._outcome is None:
            began = time.monotonic()
            known = 0

            def look(now: Progress) -> None:
                nonlocal known
                timed = self.effort.deadline is not None
                count = timed and sum(self.record(event) is not None for event in range(self.breaks))
                if count > known:
                    known, self._broken_at = count, now.seconds
                if progress is not None:
                    progress(now)

            code = self._call(lambda: self._lib.sg_explore(self._run), self._searching, look)
            self._outcome = self._collect(code, time.monotonic() - began)
        return self._outcome

    def _searching(self) -> bool:
        """Whether the search is to go on.

        The way to a break is rebuilt in about the time in which the break was found; of the time given
        that much is kept for it, and a quarter at most.
        """
        left, known = self.effort.left(), self._broken_at
        if left is None or known is None:
            return not self.effort.over
        given = left + time.monotonic() - self._began
        return not self.effort.stop.is_set() and left > min(known, given / 4)

    def record(self, event: int) -> FirstEvent | None:
        """First time that break ``event`` happened, or goal ``event - breaks``; None if never."""
        raw = self._library.Record()
        self._demand(self._lib.sg_record_of(self._run, event, ctypes.byref(raw)))
        if not raw.depth:
            return None
        return FirstEvent(raw.depth, key_number(raw.start), tuple(raw.pick[: raw.picks]))

    def marks(self) -> list[bool]:
        """Coverage: what happened at least once."""
        return list(map(bool, self._lib.sg_marks_of(self._run)[: self._library.shape.marks]))

    def paths(self, targets: Sequence[tuple[int, int]]) -> list[StatePath]:
        """Least shortest ways to stored states, given with their depths; all in one pass.

        Raises:
            OutOfTime: if time, Ctrl-C or a stop ended it; a moment is granted where that has come before.
        """
        rows = sum(depth + 1 for _, depth in targets)
        wanted = (self._library.Key * len(targets))(*(self._library.key(key) for key, _ in targets))
        depths = (ctypes.c_uint32 * len(targets))(*(depth for _, depth in targets))
        keys, ways = (self._library.Key * rows)(), (self._library.Way * rows)()
        closing = self.effort.closing()
        code = self._call(
            lambda: self._lib.sg_stories_of(self._run, len(targets), wanted, depths, keys, ways),
            lambda: not closing.over,
        )
        if code == Code.STOPPED:
            raise OutOfTime
        self._demand(code)
        paths: list[StatePath] = []
        at = 0
        for _, depth in targets:
            picks = [tuple(way.pick[: way.picks]) for way in ways[at : at + depth + 1]]
            numbers = tuple(key_number(key) for key in keys[at : at + depth + 1])
            paths.append(StatePath(numbers, tuple(picks[1:]), picks[0]))
            at += depth + 1
        return paths

    def closure(
        self,
        progress: Callable[[Progress], None] | None = None,
        *,
        goals: Collection[int] | None = None,
    ) -> tuple[CutOffStates, ...] | None:
        """For each goal the states from which it can no longer be reached.

        Only for the given ones, if any are given; of others 0 states are told. The first call
        decides. None if that could not be found out: the search is not complete, or time, memory
        or the user's patience (``interrupted``) ended first.
        """
        if self._outcome is None or self._outcome.status is not Status.COMPLETE or self.interrupted:
            return None
        if self._closure is None:
            asked = set(range(self.goals) if goals is None else goals)
            found: list[CutOffStates] = []
            for first in range(0, max(1, self.goals), GOALS_AT_ONCE):
                raw = (self._library.Unable * GOALS_AT_ONCE)()
                mask = sum(1 << goal - first for goal in asked if first <= goal < first + GOALS_AT_ONCE)
                close = partial(self._lib.sg_closure_of, self._run, first // GOALS_AT_ONCE, mask, raw)
                code = self._call(close, lambda: not self.effort.over, progress)
                if code in (Code.STOPPED, Code.CAPPED_MEMORY):
                    return None
                self._demand(code)
                found += (CutOffStates(item.states, item.depth, key_number(item.key)) for item in raw)
            self._closure = tuple(found[: self.goals])
        return self._closure

    def states(self) -> Iterator[tuple[int, int]]:
        """Every stored state with its depth, in no particular order."""
        room = self._lib.sg_each(self._run, 0, None, None)
        keys, depths = (self._library.Key * room)(), (ctypes.c_uint32 * room)()
        self._lib.sg_each(self._run, room, keys, depths)
        for key, depth in zip(keys, depths, strict=True):
            yield key_number(key), depth

    def depth_of(self, key: int) -> int | None:
        """Shortest distance of a state from power-on, or None if it was not reached."""
        depth: int = self._lib.sg_depth_of(self._run, ctypes.byref(self._library.key(key)))
        return None if depth < 0 else depth

    def initial_states(self) -> list[Transition]:
        """Every way to begin."""
        return self._listing(None)

    def successors(self, key: int) -> list[Transition]:
        """Every step from a state, in the order of their picks.

        What happens before the parts move is told with the first of the steps that share it.
        """
        return self._listing(ctypes.byref(self._library.key(key)))

    def step(self, key: int, picks: Sequence[int] = ()) -> Transition:
        """One step; choices beyond the given picks are answered with 0."""
        raw = self._library.Transition()
        given = (self._library.Pick * max(1, len(picks)))(*picks)
        at = ctypes.byref(self._library.key(key))
        self._demand(self._lib.sg_step(at, given, len(picks), ctypes.byref(raw)))
        return self._transition(raw)

    def assert_consistent(self) -> None:
        """Self-check of the tables, for tests: every key comes back from where it lies.

        Raises:
            ProgramFault: if one is damaged.
        """
        self._demand(self._lib.sg_check(self._run))

    def _listing(self, start: Any) -> list[Transition]:
        count = ctypes.c_uint64()
        self._demand(self._lib.sg_successors(start, 0, None, ctypes.byref(count)))
        raw = (self._library.Transition * count.value)()
        self._demand(self._lib.sg_successors(start, count.value, raw, ctypes.byref(count)))
        return [self._transition(item) for item in raw]

    def _transition(self, raw: Any) -> Transition:
        events = frozenset(i for i in range(self.breaks + self.goals) if raw.events[i // 64] >> i % 64 & 1)
        picks, sizes = tuple(raw.pick[: raw.picks]), tuple(raw.size[: raw.picks])
        return Transition(key_number(raw.to), picks, sizes, events)

    def _collect(self, code: int, seconds: float) -> SearchOutcome:
        stopped = Status.INTERRUPT if self.interrupted else Status.TIME_LIMIT
        statuses = {
            Code.COMPLETE: Status.COMPLETE,
            Code.CAPPED_STATES: Status.STATE_CAP,
            Code.CAPPED_MEMORY: Status.MEMORY_CAP,
            Code.STOPPED: stopped,
            Code.TOO_DEEP: Status.DEPTH_FIELD,
        }
        if code not in statuses:
            raise fault(code)
        raw = self._library.Summary()
        self._lib.sg_summary_of(self._run, ctypes.byref(raw))
        return SearchOutcome(
            status=statuses[Code(code)],
            states=raw.states,
            transitions=raw.transitions,
            levels=raw.levels,
            sizes=tuple(self._lib.sg_levels_of(self._run)[: raw.deepest + 1]),
            stuck=CutOffStates(raw.stuck, raw.stuck_depth, key_number(raw.stuck_key)) if raw.stuck else None,
            seconds=seconds,
            bytes=raw.bytes,
            threads=self.threads,
        )

    def _call(
        self,
        work: Callable[[], int],
        goes_on: Callable[[], bool],
        progress: Callable[[Progress], None] | None = None,
    ) -> int:
        """Runs a long call of the library until it ends or is not to go on; Ctrl-C ends it early."""
        self._began = time.monotonic()
        self._counters.stop = 0

        def look() -> None:
            if not goes_on():
                self._counters.stop = 1
            if progress is not None:
                progress(self._progress(time.monotonic() - self._began))

        def end() -> None:
            self._counters.stop = 1

        result: list[int] = []
        if not goes_on():
            end()
        try:
            apart(lambda: result.append(work()), look, end)
        except KeyboardInterrupt:
            self.effort.stop.set()
        self.interrupted = self.interrupted or self.effort.stop.is_set()
        return result[0]

    def _progress(self, seconds: float) -> Progress:
        now = self._counters
        return Progress(now.states, now.transitions, now.frontier, now.bytes, now.depth, seconds)

    def _demand(self, code: int) -> None:
        if code:
            raise fault(code)


def follow(library: Path, run: Sequence[Sequence[int]]) -> frozenset[int]:
    """What happens in the last tick of a run, stepped through the deployed controller in its checker.

    Args:
        library: a built checker.
        run: the picks of the start, then those of each tick; choices beyond them are answered with 0.

    Returns:
        Events of the last tick: breaks first, then goals.

    Raises:
        ProgramFault: if some pick was not offered.
    """
    c = Library(library)
    flat = [pick for picks in run for pick in picks]
    picks = (c.Pick * max(1, len(flat)))(*flat)
    counts = (ctypes.c_uint32 * len(run))(*map(len, run))
    events = (ctypes.c_uint64 * c.shape.event_words)()
    if code := c.functions.sg_follow(picks, counts, len(run) - 1, events):
        raise fault(code)
    return frozenset(i for i in range(c.shape.breaks + c.shape.goals) if events[i // 64] >> i % 64 & 1)
