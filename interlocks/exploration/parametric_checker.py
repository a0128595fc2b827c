"""One checker that answers many questions: switches that are set before a search, not compiled in.

A *switch* is an input whose answer is told from outside (``mutants``). Faults have switches, too:
a fault may begin only while it is allowed. So one compiled checker searches a machine weakened in any
one way, under any set of single faults, and a search ends as soon as what it looks for has happened.

What a search finds under a switch is what a checker compiled for that one machine would find: the
switches are constants of the step. A switch may also be left *open*: then it is a choice wherever it is
read, so the search covers every machine with it on, with it off, and more; where that breaks nothing,
none of those machines does. Several searches run side by side, each in a copy of the library
of its own, since a switch is one place in memory.
"""

from __future__ import annotations

import ctypes
import shutil
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path as FilePath
from queue import SimpleQueue
from typing import Protocol

from stillgate.controller.c.emit_c import emit_controller
from stillgate.controller.c.toolchain import build_library, find_compiler
from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.kept_files import work_folder
from stillgate.controller.program.footprint import signals_read
from stillgate.controller.program.program import (
    Begin,
    Block,
    Observation,
    Read,
    Statement,
    Term,
    conjunction,
)
from stillgate.controller.program.program_map import map_block

from ..loop.closed_loop import ClosedLoop
from ..loop.counterexample import Path, Replay, replay
from ..loop.state_layout import packed_fields, unpack
from .deployed_run import Happened, Picks, happened_on
from .emit_checker import checker_source
from .engine_folder import engine_files
from .explorer import Explorer, Progress, SearchOutcome, Status
from .search import Break

_OPTIONS = ("-std=gnu11", "-O2", "-w")
OPEN = 2
"""What a switch is set to that is a choice wherever it is read."""


def allowance(fault: int) -> str:
    """Name of the switch that allows a fault, by its number."""
    return f"allow__{fault}"


def with_allowances(loop: ClosedLoop) -> ClosedLoop:
    """The loop with every fault behind a switch of its own."""
    before, after = (map_block(block, statement=_allowing) for block in (loop.before, loop.after))
    return replace(loop, before=before, after=after)


def _allowing(statement: Statement) -> Block:
    match statement:
        case Begin(cell=cell, options=options):
            guarded: list[tuple[Term, int]] = [
                (conjunction((Read(allowance(number), Observation.LEVEL), condition)), number)
                for condition, number in options
            ]
            return (Begin(cell, tuple(guarded)),)
        case _:
            return (statement,)


@dataclass(frozen=True, slots=True)
class Answer:
    """What one search found; ``event`` is what it was stopped at, None if it went to its end."""

    event: int | None
    depth: int  # of the event, else of the search
    outcome: SearchOutcome | None  # None if it was stopped at an event
    cut_off: frozenset[int] = frozenset()  # goals with no way there from some reachable situation
    never: frozenset[int] = frozenset()  # goals that no reachable situation meets
    fault: int = 0  # under which the event happened, 0 if none
    took: frozenset[str] = frozenset()  # open switches on on the way to the event; none: no time to tell
    noted: frozenset[int] = frozenset()  # events asked about that happened
    marks: tuple[bool, ...] = ()  # coverage, where asked for
    runs: tuple[tuple[int, Break], ...] = ()  # shortest ways to the events noted, where asked for
    closed: bool = True  # False: possibility was to be judged and the search ended before it was
    why_open: str = ""  # why it is not complete, where another search than of single situations says so

    @property
    def complete(self) -> bool:
        """Whether the search went to its end, possibility included."""
        return self.closed and self.outcome is not None and self.outcome.status is Status.COMPLETE


class SwitchedChecker(Protocol):
    """A compiled loop with switches that answers questions, as ``ParametricChecker`` does."""

    loop: ClosedLoop

    def ask(
        self,
        on: Collection[str],
        *,
        stop_at: Iterable[int] = (),
        note: Iterable[int] = (),
        goals: Collection[int] | None = None,
        either: Collection[str] = (),
        marks: bool = False,
        runs: bool = False,
        effort: Effort | None = None,
    ) -> Answer:
        """One search with some switches on; see ``ParametricChecker.ask``."""
        ...


class _FoundItError(Exception):
    """Raised from a search's progress to end it: an event that was looked for has happened."""


class Copies:
    """Copies of a library for searches that run side by side: a switch is one place in the memory of each."""

    def __init__(self, library: FilePath, count: int) -> None:
        self._folder = work_folder()
        self._free: SimpleQueue[FilePath] = SimpleQueue()
        for number in range(count):
            copy = FilePath(self._folder.name) / f"line{number}{library.suffix}"
            shutil.copyfile(library, copy)
            self._free.put(copy)

    def close(self) -> None:
        """Removes them."""
        self._folder.cleanup()

    @contextmanager
    def one(self) -> Iterator[FilePath]:
        """One that nobody else uses meanwhile; waits until there is one."""
        path = self._free.get()
        try:
            yield path
        finally:
            self._free.put(path)


class ParametricChecker:
    """A compiled loop with switches; a context manager. As many threads may ``ask`` as the effort has.

    Args:
        loop: a closed loop whose statements may read switches.
        effort: of the compiler; as many searches may run at once as it has threads.
        threads: threads of each search.
        options: of the compiler; default those of long searches.

    Raises:
        ToolMissing: if there is no C compiler.
        OutOfTime: if the effort was over before the library was built.
    """

    def __init__(
        self,
        loop: ClosedLoop,
        *,
        effort: Effort,
        threads: int = 1,
        options: tuple[str, ...] | None = None,
        on_slow_build: Callable[[], None] | None = None,
    ) -> None:
        self.loop = loop
        self.switches = {name: number for number, name in enumerate(switches_of(loop))}
        self.threads = threads
        self.library = build_library(
            _files(loop, self.switches),
            "checker.c",
            options=options or _OPTIONS,
            compiler=find_compiler(),
            on_slow_build=on_slow_build,
            effort=effort,
        )
        self._copies = Copies(self.library, effort.lines)

    def __enter__(self) -> ParametricChecker:
        return self

    def __exit__(self, *_: object) -> None:
        self._copies.close()

    def ask(
        self,
        on: Collection[str],
        *,
        stop_at: Iterable[int] = (),
        note: Iterable[int] = (),
        goals: Collection[int] | None = None,
        either: Collection[str] = (),
        marks: bool = False,
        runs: bool = False,
        effort: Effort | None = None,
    ) -> Answer:
        """One search with the switches in ``on`` on, those in ``either`` open and all others off.

        Args:
            on: names of switches; those this checker does not have are passed over.
            either: switches that are on or off anew wherever they are read.
            stop_at: events (indices of broken requirements) that end the search.
            note: events that are only noted.
            goals: judge possibility at the end of a search that no event ended; for these goals find
                out too whether some situation has no way there any more.
            marks: tell what was covered.
            runs: replay the shortest way to each event that is only noted.
            effort: of this search; threads are the checker's.
        """
        with self._copies.one() as path:
            library = self._told(path, on, either)
            given = replace(effort or Effort(), threads=self.threads)
            with Explorer(path, given) as explorer:
                answer = self._search(explorer, tuple(stop_at), goals)
                return replace(
                    answer,
                    took=self._took(explorer, library, answer.event) if either else frozenset(),
                    noted=frozenset(item for item in note if explorer.record(item) is not None),
                    marks=tuple(explorer.marks()) if marks else (),
                    runs=self._runs(explorer, tuple(note), on) if runs else (),
                )

    def happened_on(self, on: Collection[str], run: Picks) -> Happened:
        """What happens on a run with the switches in ``on`` on, which may be one found with others on."""
        with self._copies.one() as path:
            self._told(path, on)
            return happened_on(path, run, loosely=True)

    def _told(self, path: FilePath, on: Collection[str], either: Collection[str] = ()) -> ctypes.CDLL:
        """The library with its switches told."""
        library = ctypes.CDLL(str(path))
        panel = (ctypes.c_uint8 * max(1, len(self.switches))).in_dll(library, "sg_switch")
        for name, number in self.switches.items():
            panel[number] = OPEN if name in either else int(name in on)
        return library

    def _search(self, explorer: Explorer, stop_at: tuple[int, ...], goals: Collection[int] | None) -> Answer:
        def look(_: Progress) -> None:
            if any(explorer.record(event) is not None for event in stop_at):
                raise _FoundItError

        outcome: SearchOutcome | None = None
        with suppress(_FoundItError):
            outcome = explorer.run(look)
        records = {event: explorer.record(event) for event in stop_at}
        found = [(record.depth, event, record) for event, record in records.items() if record is not None]
        if found:
            depth, event, record = min(found, key=lambda item: item[:2])
            arrived = explorer.step(record.start, record.picks).to
            return Answer(event, depth, None, fault=self._fault_in(arrived))
        assert outcome is not None
        if goals is None or outcome.status is not Status.COMPLETE:
            return Answer(None, outcome.levels, outcome)
        count = len(self.loop.monitors.goals)
        never = frozenset(goal for goal in range(count) if explorer.record(explorer.breaks + goal) is None)
        if not goals or never & set(goals):  # what is never met cannot be met again from anywhere
            return Answer(None, outcome.levels, outcome, frozenset(), never)
        closure = explorer.closure(goals=goals)
        cut_off = frozenset(number for number in goals if closure is not None and closure[number].states)
        return Answer(None, outcome.levels, outcome, cut_off, never, closed=closure is not None)

    def _took(self, explorer: Explorer, library: ctypes.CDLL, event: int | None) -> frozenset[str]:
        """Open switches that were on on the shortest way to an event: its steps are taken once more."""
        record = None if event is None else explorer.record(event)
        if record is None:
            return frozenset()
        try:
            path = explorer.paths([(record.start, record.depth - 1)])[0]
        except OutOfTime:
            return frozenset()
        took = (ctypes.c_uint8 * max(1, len(self.switches))).in_dll(library, "sg_took")
        ctypes.memset(took, 0, len(took))
        for key, picks in zip(path.keys, (*path.picks, record.picks), strict=True):
            explorer.step(key, picks)
        return frozenset(name for name, number in self.switches.items() if took[number])

    def _runs(
        self, explorer: Explorer, events: tuple[int, ...], on: Collection[str]
    ) -> tuple[tuple[int, Break], ...]:
        records = [(event, record) for event in events if (record := explorer.record(event)) is not None]
        fields = packed_fields(self.loop)
        switches = {name: int(name in on) for name in self.switches}
        look = explorer.effort.closing().look
        runs: dict[int, Replay] = {}
        with suppress(OutOfTime):
            paths = explorer.paths([(record.start, record.depth - 1) for _, record in records])
            for (event, record), path in zip(records, paths, strict=True):
                way = Path(tuple(unpack(fields, key) for key in path.keys), (*path.picks, record.picks))
                runs[event] = replay(self.loop, way, switches=switches, look=look)
        return tuple((event, Break(record.depth, runs.get(event))) for event, record in records)

    def _fault_in(self, key: int) -> int:
        for item in packed_fields(self.loop):
            if item.cell == self.loop.fault:
                return key >> item.offset & ((1 << item.bits) - 1)
        return 0


def switches_of(loop: ClosedLoop) -> list[str]:
    """Names of inputs that statements read and no signal answers, in a fixed order."""
    signals = {signal.name for signal in loop.controller.signals}
    blocks = (*loop.before, *loop.controller.observe, *loop.controller.decide, *loop.after, *loop.settle)
    return sorted(signals_read(blocks) - signals, key=lambda name: (len(name), name))


def _files(loop: ClosedLoop, switches: dict[str, int]) -> dict[str, str]:
    source, header = emit_controller(loop.controller)
    files = engine_files()
    exported = [
        "#ifdef _WIN32",
        "__declspec(dllexport)",
        "#else",
        '__attribute__((visibility("default")))',
        "#endif",
    ]
    count = max(1, len(switches))
    told = f"(sg_switch[n] != {OPEN} ? sg_switch[n] : sg_open_switch(s, n))"
    choose = "(sg_choose(SG_WORK(s)->context, 2) ? sg_took[n] = 1 : 0)"
    lines = [
        "#include <stdint.h>",
        "/* Answers that are told before a search; those that a step chose itself. */",
        *exported,
        f"uint8_t sg_switch[{count}];",
        *exported,
        f"uint8_t sg_took[{count}];",
        f"#define sg_open_switch(s, n) {choose}",
        f"#define SG_TOLD(s, n) {told}",
        *(f"#define READ_{name}_LEVEL(s) SG_TOLD(s, {number})" for name, number in switches.items()),
        "",
    ]
    checker = "\n".join(lines) + checker_source(loop)
    return files | {"controller.c": source, "controller.h": header, "checker.c": checker}
