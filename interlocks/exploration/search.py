"""One exhaustive search of a closed loop: builds the checker, runs it, reads its answers.

Between the C engine, which knows packed states and indices, and the rest, which knows
cells and names.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import cached_property, partial
from pathlib import Path as FilePath
from threading import Event

from stillgate.controller.c.emit_c import emit_controller
from stillgate.controller.c.toolchain import build_library, find_compiler
from stillgate.controller.effort import LOOK_EVERY, Effort, OutOfTime, processors
from stillgate.controller.errors import ProgramFault

from ..loop.closed_loop import ClosedLoop
from ..loop.counterexample import Path, Replay, replay
from ..loop.fewest_changes import FewestChanges
from ..loop.interpreter import LoopRunner
from ..loop.state_layout import key_bits, packed_fields, unpack
from ..results.verdict import Exploration
from .emit_checker import checker_source
from .engine_folder import engine_files
from .explorer import Explorer, Progress, SearchOutcome, StatePath, Status

OPTIONS = ("-std=gnu11", "-O2", "-w")

QUICK_OPTIONS = ("-std=gnu11", "-Og", "-w")
"""Built in half the time, a third slower: for searches that end before the compiler does. With gcc as quick
to search with as -O1 and built in two thirds of its time; clang takes the two for the same."""


def checker_files(loop: ClosedLoop) -> dict[str, str]:
    """Sources of a loop's checker by file name."""
    source, header = emit_controller(loop.controller)
    own = {"controller.c": source, "controller.h": header, "checker.c": checker_source(loop)}
    return engine_files() | own


def options_of(loop: ClosedLoop) -> tuple[str, ...]:
    """Compiler options of a loop's checker: without faults, at the file's own tick, searches are short."""
    machine = loop.machine
    short = not loop.budget and loop.tick == (machine.check.tick or machine.scan)
    return QUICK_OPTIONS if short else OPTIONS


def build_checker(
    loop: ClosedLoop, on_slow_build: Callable[[], None] | None = None, effort: Effort | None = None
) -> FilePath:
    """Shared library of a loop's checker, from the cache if it was built before; see ``build_library``."""
    if effort is not None:
        effort.look()  # the sources of a large machine take a second
    return build_library(
        checker_files(loop),
        "checker.c",
        options=options_of(loop),
        compiler=find_compiler(),
        on_slow_build=on_slow_build,
        effort=effort,
    )


@contextmanager
def checkers_of(
    loops: Sequence[ClosedLoop], on_slow_build: Callable[[], None] | None = None, effort: Effort | None = None
) -> Iterator[Iterator[FilePath]]:
    """Libraries of the loops' checkers, in the order of the loops, built side by side; see ``built``."""

    def builder(loop: ClosedLoop) -> Build:
        return lambda given: build_checker(loop, on_slow_build, given)

    with built([builder(loop) for loop in loops], effort or Effort()) as libraries:
        yield (library() for library in libraries)


Build = Callable[[Effort], FilePath]
"""Builds a library within an effort."""


@contextmanager
def built(builds: Sequence[Build], effort: Effort) -> Iterator[list[Callable[[], FilePath]]]:
    """For each of some builds, begun in their order and side by side, what waits for its library.

    A compiler takes longer than most searches. What is still being built when the block is left,
    by Ctrl-C for one, ends with it.

    Raises:
        ToolMissing: by what waits, as ``build_library``.
        OutOfTime: by what waits, if the effort was over before the library was built.
    """
    wanted = replace(effort, stop=Event())
    building: list[Future[FilePath]] = []  # Ctrl-C may come before there are any
    with ThreadPoolExecutor(processors()) as pool:
        try:
            building += [pool.submit(build, wanted) for build in builds]
            yield [partial(_built, item, effort) for item in building]
        finally:  # the pool waits for its threads
            wanted.stop.set()
            for item in building:
                item.cancel()


def _built(building: Future[FilePath], effort: Effort) -> FilePath:
    """The library once it is there.

    Looked for again and again: a thread that goes to sleep without a limit just as Ctrl-C is
    pressed does not hear of it before it is woken, here by a compiler a minute later.
    """
    while not building.done():
        effort.look()
        wait((building,), timeout=LOOK_EVERY)
    return building.result()


@dataclass(frozen=True, slots=True)
class Break:
    """A requirement or bound that a search found broken.

    Attributes:
        ticks: up to and with the one that breaks it, the fewest.
        run: the least way there; None if the time was over before it was rebuilt.
    """

    ticks: int
    run: Replay | None


@dataclass(frozen=True, slots=True)
class CutOff:
    """Situations from which a goal cannot be reached: how many, and the way to the first.

    No states: not found out. No way: the first is the situation at power-on, or, where the depth is not 0,
    the time was over before the way was rebuilt.
    """

    states: int
    depth: int
    run: Replay | None


@dataclass(frozen=True, slots=True)
class Stuck:
    """Situations that nothing leads out of: how many, and the way to the first."""

    states: int
    run: Replay | None
    start_states: dict[str, str]


class Search:
    """A search of a closed loop; a context manager that frees the engine's memory.

    Raises:
        ProgramFault: if the engine reports a fault of the generated step.
    """

    def __init__(self, loop: ClosedLoop, library: FilePath, effort: Effort) -> None:
        self.loop = loop
        self.fields = packed_fields(loop)
        self._effort = effort
        self._explorer = Explorer(library, effort)
        self._outcome: SearchOutcome | None = None
        self._fewest = FewestChanges(loop)

    @cached_property
    def _runner(self) -> LoopRunner:
        return LoopRunner(self.loop)

    def __enter__(self) -> Search:
        return self

    def __exit__(self, *_: object) -> None:
        self._explorer.close()

    def run(self, progress: Callable[[Progress], None] | None = None) -> Exploration:
        """Runs the search to its end, a cap or an interrupt."""
        loop = self.loop

        def tell(now: Progress) -> None:
            if progress is not None:
                progress(replace(now, faults=loop.budget))

        outcome = self._outcome = self._explorer.run(tell)
        return Exploration(
            faults=loop.budget,
            tick=loop.tick,
            exhausted=outcome.status is Status.COMPLETE,
            stopped_by=outcome.status.words,
            states=outcome.states,
            transitions=outcome.transitions,
            depth=outcome.levels,
            seconds=outcome.seconds,
            key_bits=key_bits(self.fields),
            bytes_per_state=outcome.bytes_per_state,
            threads=outcome.threads,
            initial_states=outcome.initial_states,
        )

    @property
    def interrupted(self) -> bool:
        """Whether Ctrl-C has come while it ran or was asked."""
        return self._explorer.interrupted

    def breaks(self) -> dict[str, Break]:
        """The least shortest way to break each requirement and each counter's bounds."""
        names = self.loop.requirement_names
        records = {name: self._explorer.record(i) for i, name in enumerate(names)}
        found = {name: record for name, record in records.items() if record is not None}
        runs: dict[str, Replay] = {}
        with suppress(OutOfTime):
            paths = self._explorer.paths([(record.start, record.depth - 1) for record in found.values()])
            for (name, record), path in zip(found.items(), paths, strict=True):
                run = self._replayed(StatePath(path.keys, (*path.picks, record.picks), ()))
                if names.index(name) not in run.ticks[-1].broken:
                    raise ProgramFault(f"the replayed story of {name} does not break it")
                runs[name] = self._fewest.of(run, name, look=self._effort.closing().look)
        return {name: Break(record.depth, runs.get(name)) for name, record in found.items()}

    def _replayed(self, path: StatePath) -> Replay:
        """Raises: OutOfTime."""
        keys = tuple(unpack(self.fields, key) for key in path.keys)
        look = self._effort.closing().look
        return replay(self.loop, Path(keys, path.picks), look=look, runner=self._runner)

    def has_broken(self, index: int) -> bool:
        """Whether a break has happened so far; may be asked while the search runs."""
        return self._explorer.record(index) is not None

    def marks(self) -> list[bool]:
        """What was covered, by coverage index."""
        return self._explorer.marks()

    def goal_depth(self, name: str) -> int | None:
        """Ticks after which a goal is first true, or None if it never is."""
        record = self._explorer.record(self._explorer.breaks + self._goal(name))
        return None if record is None else record.depth

    def cut_off(self, name: str) -> CutOff | None:
        """Situations without a way to the goal; None if there are none."""
        closure = self._explorer.closure()
        if closure is None:
            return CutOff(0, 0, None)
        item = closure[self._goal(name)]
        if item.states == 0:
            return None
        return CutOff(item.states, item.depth, self._way_to(item.key, item.depth))

    def stuck(self) -> Stuck | None:
        """Situations that lead nowhere; None if there are none."""
        assert self._outcome is not None
        item = self._outcome.stuck
        if item is None:
            return None
        start = {s.name: s.states[s.start] for s in self.loop.controller.sequences}
        return Stuck(item.states, self._way_to(item.key, item.depth), start)

    def _goal(self, name: str) -> int:
        return [goal for goal, _ in self.loop.monitors.goals].index(name)

    def _way_to(self, key: int, depth: int) -> Replay | None:
        """The way to a state; None for a start state, which no tick leads to, and where the time is over."""
        if depth == 0:
            return None
        with suppress(OutOfTime):
            run = self._replayed(self._explorer.paths([(key, depth)])[0])
            return self._fewest.of(run, None, look=self._effort.closing().look)
        return None
