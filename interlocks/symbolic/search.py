"""One search over sets of times: builds the symbolic checker, runs it, confirms what it reports.

The search over-approximates unless it is asked to be exact: what it never reports cannot happen, and what it
reports need not. ``confirm`` looks for a run of the loop that shows it; the run it finds is then stepped
again, to a goal in the deployed controller where that is at hand, else by the Python evaluator of the same
statements, so nothing is called broken or reached that has not been run.

What is found does not depend on how many threads look for it.
"""

from __future__ import annotations

import ctypes
import os
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from pathlib import Path as FilePath
from typing import Self

from stillgate.controller.c.toolchain import build_library, find_compiler
from stillgate.controller.effort import Effort, OutOfTime, apart
from stillgate.controller.errors import ProgramFault

from ..exploration.deployed_run import happened_on
from ..exploration.engine_folder import ENGINE as EXPLICIT
from ..exploration.engine_folder import engine_files
from ..loop.answers import answered, noting, then_first
from ..loop.closed_loop import ClosedLoop
from ..loop.counterexample import Path
from ..loop.interpreter import Chooser, LoopRunner, Tick
from ..loop.state_layout import Key
from .engine_abi import SAY, Confirmation, Growth, GrowthFigures, StoredSet, Summary, open_library
from .explored import SetExploration, Shown
from .manners import WIDEST, Manner
from .step.emit_step import StepSource, step_source

ENGINE = FilePath(__file__).parent / "engine"

OPTIONS = ("-std=gnu11", "-O2", "-w")

MOST_CONFIRMING = 200_000
"""Exact sets that are expanded in search of one run."""

_LONGEST_RUN = 10_000_000  # ticks of a confirmed run


def build_symbolic(source: StepSource, effort: Effort) -> FilePath:
    """Shared library of a symbolic checker, from the cache if it was built before.

    Raises:
        OutOfTime: if the effort is over before it is built.
        ToolMissing: if there is no C compiler.
    """
    return build_library(
        engine_files(ENGINE)
        | {
            "thread_team.h": engine_files(EXPLICIT)["thread_team.h"],
            "symbolic_checker.c": source.text,
        },
        "symbolic_checker.c",
        options=OPTIONS,
        compiler=find_compiler(),
        effort=effort,
    )


class SymbolicSearch:
    """A search over sets of times of one loop; a context manager that frees its memory.

    Args:
        by_fault: tell breaks apart by the fault they happen under (``emit_step.under``).
        switches: answers told before the search, by name; 0 for those that are not named.
        effort: its memory is the cap of the search, and again of each confirmation.
        library: of the loop's symbolic checker, where it is built already.

    Raises:
        OutOfTime: if the effort is over before the checker is built.
        ProgramFault: if the engine reports a fault of the generated step.
    """

    def __init__(
        self,
        loop: ClosedLoop,
        *,
        manner: Manner = WIDEST,
        by_fault: bool = False,
        switches: Mapping[str, int] | None = None,
        effort: Effort | None = None,
        library: FilePath | None = None,
    ) -> None:
        self.loop = loop
        self.source = step_source(loop, by_fault=by_fault)
        self.effort = effort or Effort()
        self._c = open_library(library or build_symbolic(self.source, self.effort))
        self.switches = {name: (switches or {}).get(name, 0) for name in self.source.switches}
        if self.switches:
            panel = (ctypes.c_uint8 * len(self.switches)).in_dll(self._c, "sy_switch")
            panel[:] = list(self.switches.values())
        threads = self.effort.threads or os.cpu_count() or 1
        self._handle = self._c.sy_open(
            self.effort.bytes,
            manner.join,
            int(manner.merge),
            int(manner.travels_kept),
            manner.turning.value,
            threads,
        )
        self._listed = False
        if not self._handle:
            raise ProgramFault("there is not enough memory for the smallest tables")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Gives the memory back."""
        if self._handle:
            self._c.sy_close(self._handle)
            self._handle = None

    def run(self) -> SetExploration:
        """Explores until done, out of memory, or the end of the effort."""
        begin = time.monotonic()
        early = self._while_there_is_time(lambda: self._c.sy_run(self._handle))
        found = Summary()
        self._c.sy_summarise(self._handle, ctypes.byref(found))
        if found.fault:
            raise ProgramFault(f"symbolic exploration failed: status {found.fault}")
        stopped = "" if found.exhausted else "memory cap" if found.out_of_memory else early or "interrupt"
        return SetExploration(
            found.keys,
            found.sets,
            found.steps,
            found.bytes,
            bool(found.exhausted),
            stopped,
            time.monotonic() - begin,
        )

    def reported(self) -> tuple[str, ...]:
        """Names of the breaks and goals that some set reported: all that can happen are among them."""
        return tuple(name for i, name in enumerate(self.source.events) if self._c.sy_seen(self._handle, i))

    def marks(self) -> list[bool]:
        """What was covered, by coverage index: what was not cannot be, what was need not be."""
        return [bool(self._c.sy_was_covered(self._handle, i)) for i in range(self.source.marks)]

    def confirm(
        self,
        names: Iterable[str],
        *,
        most: int = MOST_CONFIRMING,
        deployed: Callable[[], FilePath] | None = None,
    ) -> dict[str, Shown]:
        """Looks for runs in which things happen, by an exact search of ``most`` steps of sets at most.

        Args:
            deployed: gives the checker of the same loop, with the deployed controller in it. Runs to goals,
                which need no story, are stepped in it, others in Python.

        Raises:
            ProgramFault: if a run, stepped again, does not show what it should.
        """
        return dict(self.confirmed(names, most=most, deployed=deployed))

    def confirmed(
        self,
        names: Iterable[str],
        *,
        most: int = MOST_CONFIRMING,
        deployed: Callable[[], FilePath] | None = None,
        told: Callable[[str], bool] = lambda name: True,
    ) -> Iterator[tuple[str, Shown]]:
        """As ``confirm``, one after the other: what was learned of one run may make others needless.

        Args:
            told: whether a run is wanted, which takes time to be stepped; what is not is passed over.
        """
        events = {name: self.source.events.index(name) for name in names}
        self._look_for(events.values(), None, most)
        for name, event in events.items():
            if told(name):
                yield name, self._shown(event, deployed)

    def confirm_after(self, names: Iterable[str], seed: Sequence[Chooser], *, most: int) -> dict[str, Shown]:
        """As ``confirm``, from the end of a run that is known: what only follows on it is near there.

        What is not found may happen all the same.

        Args:
            seed: answers the choices of the start, then those of each tick.
        """
        told = answered(self._runner, seed, self.effort.look)
        picks, key = [tuple(pick for _, pick in tick) for tick in told], self._runner.key()
        events = {name: self.source.events.index(name) for name in names}
        self._look_for(events.values(), key, most)
        found: dict[str, Shown] = {}
        for name, event in events.items():
            if Confirmation(self._c.sy_outcome_of(self._handle, event)) is Confirmation.CONFIRMED:
                run = [*picks, *self._told(event)[1:]]
                path = self._run_again(event, run)
                found[name] = Shown(Confirmation.CONFIRMED, len(run) - 1, tuple(run), path)
        return found

    def _look_for(self, events: Iterable[int], start: Key | None, most: int) -> None:
        wanted = (ctypes.c_ubyte * (len(self.source.events) + 1))()
        for event in events:
            wanted[event] = 1
        begin = None if start is None else (ctypes.c_int * max(1, len(start)))(*start)
        self._while_there_is_time(
            lambda: self._c.sy_confirm_events(self._handle, wanted, begin, self.effort.bytes, most)
        )

    def _shown(self, event: int, deployed: Callable[[], FilePath] | None) -> Shown:
        found = Confirmation(self._c.sy_outcome_of(self._handle, event))
        if found is not Confirmation.CONFIRMED:
            return Shown(found)
        run = self._told(event)
        if deployed is None or event < self.source.breaks:
            return Shown(found, len(run) - 1, tuple(run), self._run_again(event, run))
        if happened_on(deployed(), tuple(run)).goals.get(event - self.source.breaks) is None:
            raise ProgramFault(f"a run was found in which {self.source.events[event]} does not happen")
        return Shown(found, len(run) - 1, tuple(run))

    def leads_to(self, name: str) -> Growth:
        """From which of the stored sets, once the search was exhausted, some run leads to a goal.

        With ``Turning.WIDEST`` the sets do not hold the very situations that are reached, so nothing
        follows for these.
        """
        found, spent = GrowthFigures(), Summary()
        answer: list[int] = []
        self._c.sy_summarise(self._handle, ctypes.byref(spent))
        room = max(0, self.effort.bytes - spent.bytes) // 2

        def grow() -> None:
            self._listed = self._listed or bool(self._c.sy_list(self._handle, room))
            if self._listed:
                answer.append(self._c.sy_lead_to(self._handle, self._goal(name), room, ctypes.byref(found)))

        self._while_there_is_time(grow)
        everywhere = bool(answer[0]) if answer and answer[0] >= 0 else None
        return Growth(everywhere, found.transitions, found.pieces, found.left, found.given_up, found.bytes)

    def confirm_rest(self, *, most: int = MOST_CONFIRMING) -> tuple[Confirmation, Path | None]:
        """Looks for a run into what the last ``leads_to`` left over; as ``confirm``.

        The last of the path's keys is that situation: there is one more of them than ticks.
        """
        self._while_there_is_time(lambda: self._c.sy_confirm_rest(self._handle, self.effort.bytes, most))
        rest = self._c.sy_rest()
        found = Confirmation(self._c.sy_outcome_of(self._handle, rest))
        return found, self._run_again(None, self._told(rest)) if found is Confirmation.CONFIRMED else None

    def sets_without(self, name: str, key: Key, *, exact: bool, most: int) -> int | None:
        """How many sets hold all that can follow a situation, if none of them shows a goal.

        None if one does, which may be surplus unless they are exact, or if the search took more than ``most``
        bytes or was ended.
        """
        values = (ctypes.c_int * max(1, len(key)))(*key)
        sets = ctypes.c_ulonglong()
        answer: list[int] = []
        goal, room = self._goal(name), min(most, self.effort.bytes)
        self._while_there_is_time(
            lambda: answer.append(
                self._c.sy_is_lost(self._handle, values, goal, int(exact), room, ctypes.byref(sets))
            )
        )
        return sets.value if answer == [1] else None

    def _goal(self, name: str) -> int:
        return self.source.events.index(name, self.source.breaks) - self.source.breaks

    def point(self, key: int, seed: int) -> Key:
        """A situation of the sets of a key, given by its number; most often at their bounds."""
        values = (ctypes.c_int * max(1, len(self.source.key_cells)))()
        self._c.sy_point(self._handle, key, seed, values)
        return tuple(values[: len(self.source.key_cells)])

    def holds(self, key: Key) -> bool:
        """Whether a stored set holds a situation, or the same with a travel that may do more.

        Raises:
            OutOfTime: if there is not enough memory to look.
        """
        found = self._c.sy_hold(self._handle, (ctypes.c_int * max(1, len(key)))(*key))
        if found < 0:
            raise OutOfTime
        return bool(found)

    def stored(self) -> Iterator[StoredSet]:
        """Every stored set; for tests."""
        return self._sets(self._c.sy_stored, self._c.sy_stored_count(self._handle))

    def rests(self) -> Iterator[StoredSet]:
        """What the last ``leads_to`` left over, in sets that do not overlap; for tests."""
        return self._sets(self._c.sy_left_over, self._c.sy_parts_count(self._handle))

    def _sets(self, ask: Callable[..., int], count: int) -> Iterator[StoredSet]:
        key = (ctypes.c_int * max(1, len(self.source.key_cells)))()
        n = ctypes.c_int()
        bounds = (ctypes.c_int * (1 + len(key)) ** 2)()
        for index in range(count):
            if ask(self._handle, index, key, ctypes.byref(n), bounds):
                yield tuple(key), n.value, tuple(bounds[: n.value**2])

    def _told(self, event: int) -> list[tuple[int, ...]]:
        """The picks of a confirmed run: of its start, then of each tick."""
        picks: list[tuple[int, ...]] = []

        def say(_: object, given: ctypes._Pointer[ctypes.c_uint32], count: int) -> None:
            picks.append(tuple(given[:count]))

        ticks = self._c.sy_tell(self._handle, event, SAY(say), None, _LONGEST_RUN)
        if ticks != len(picks) - 1:
            raise ProgramFault("a confirmed run could not be told")
        return picks

    def _run_again(self, event: int | None, picks: list[tuple[int, ...]]) -> Path:
        """The run stepped in Python: its keys and choices, if it shows what it should.

        To no event, the last key is the situation where it ends: there is one more than ticks.
        """
        runner = self._runner
        runner.begin(then_first(picks[0]))
        keys: list[Key] = [runner.key()]
        choices: list[tuple[int, ...]] = []
        for given in picks[1:]:
            asked: list[tuple[str, int]] = []
            tick = runner.step(noting(then_first(given), asked))
            choices.append(tuple(pick for _, pick in asked))
            keys.append(runner.key())
        if event is None:
            return Path(tuple(keys), tuple(choices))
        if not self._shows(event, tick, runner.fault):
            raise ProgramFault(f"a run was found in which {self.source.events[event]} does not happen")
        return Path(tuple(keys[:-1]), tuple(choices))

    @cached_property
    def _runner(self) -> LoopRunner:
        return LoopRunner(self.loop, switches=self.switches)

    def _shows(self, event: int, tick: Tick, begun: int) -> bool:
        source = self.source
        if event >= source.breaks:
            return tick.goals[event - source.breaks]
        fault, index = divmod(event, source.apart)
        return index in tick.broken and (source.apart == source.breaks or begun == fault)

    def _while_there_is_time(self, work: Callable[[], None]) -> str:
        """Runs C in a thread of its own, while this one looks at the clock; what ended it early."""
        flag = self._c.sy_stop_flag(self._handle)
        flag[0] = 0

        def stop() -> None:
            flag[0] = 1

        try:
            apart(work, self.effort.look, stop)
        except OutOfTime:
            return self.effort.ended_by
        return ""
