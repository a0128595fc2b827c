"""The checkers that weakenings are searched with, built once, and what is known before a search.

Of each machine with switches there are two: one without faults that judges possibility too, one with
a fault budget. Where no free input keeps a history of its own both are the same search, so one checker
serves both, with no fault allowed in the first case. A third one, the probe, tells which weakenings
change anything (``effects``), asked fault by fault and only when somebody wants to know.
Where the check found too many single situations, all of them ask sets of times too (``staged_checker``).
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import partial
from threading import Lock
from typing import TypeVar

from stillgate.controller.effort import Effort
from stillgate.controller.machine_file.machine import Machine
from stillgate.sim_io.faults.fault_list import Fault, faults_of

from ..checking.staged_checker import StagedChecker
from ..exploration.parametric_checker import ParametricChecker, SwitchedChecker, allowance, with_allowances
from ..exploration.search import QUICK_OPTIONS
from ..loop.closed_loop import ClosedLoop, close_loop
from ..requirements.monitors import asks_possibility
from ..results.verdict import CheckResult
from .mutant_equivalence import probing
from .mutants import Candidate, Weakenings, switched_controller

_T = TypeVar("_T")

_PROBE_FROM = 50
"""Weakenings from which on it pays to find out first which of them change anything."""


@dataclass
class MutantCheckers:
    """Checkers of a machine's weakenings; a context manager, used by as many threads as the effort has.

    A probe that the effort ends rules nothing out. A checker that it ends raises ``OutOfTime``.
    """

    machine: Machine
    result: CheckResult
    found: Weakenings
    effort: Effort
    on_slow_build: Callable[[], None] | None = None
    made: dict[tuple[str, ...], Future[object]] = field(default_factory=dict)
    stack: ExitStack = field(default_factory=ExitStack)
    lock: Lock = field(default_factory=Lock)

    def __enter__(self) -> MutantCheckers:
        return self

    def __exit__(self, *_: object) -> None:
        self.stack.close()

    @property
    def faults(self) -> tuple[Fault, ...]:
        """The single faults of the check; none where it looked at none."""
        return faults_of(self.machine) if self.result.faults else ()

    def plain(self, candidate: Candidate) -> SwitchedChecker:
        """The checker without faults; possibility is judged with it."""
        return self._checker(candidate, faulty=False)

    def faulty(self, candidate: Candidate) -> SwitchedChecker:
        """The checker with one fault, of those that are allowed."""
        return self._checker(candidate, faulty=True)

    def needed(self, *, faulty: bool) -> list[Callable[[], object]]:
        """Builds the checkers that most weakenings will ask for: one a call, to be called side by side.

        ``faulty`` says whether those with a fault will be asked for.
        """
        with_switch = [item for item in self.found.candidates if item.switch]
        kinds = {self.found.is_doubling(item): item for item in reversed(with_switch)}
        builds: list[Callable[[], object]] = [partial(self.plain, item) for item in kinds.values()]
        if faulty:
            builds += [partial(self.faulty, item) for item in kinds.values()]
        if len(self.found.candidates) >= _PROBE_FROM:
            builds.append(partial(self._once, ("probe",), self._probe))
        return builds

    def has_effect(self, candidate: Candidate, fault: int) -> bool:
        """Whether a weakening may change anything under a fault (0: without) that it does not change before.

        False only if a complete search has shown that it does not.
        """
        if not candidate.switch or self.found.is_doubling(candidate):
            return True
        if len(self.found.candidates) < _PROBE_FROM:
            return True
        if fault and self.has_effect(candidate, 0):
            return True
        marked = self._once(("effects", str(fault)), lambda: self._marked(fault))
        return marked is None or candidate.switch in marked

    # -- one of each -----------------------------------------------------------------------

    def _once(self, key: tuple[str, ...], make: Callable[[], _T]) -> _T:
        """What ``make`` gives; made by the first that asks, while the others wait.

        Raises:
            OutOfTime: if the effort is over.
        """
        self.effort.look()
        with self.lock:
            waiting = self.made.get(key)
            own: Future[object] | None = None
            if waiting is None:
                own = waiting = self.made[key] = Future()
        if own is not None:
            try:
                own.set_result(make())
            except BaseException as error:
                own.set_exception(error)
        return waiting.result()  # type: ignore[return-value]

    def _checker(self, candidate: Candidate, *, faulty: bool) -> SwitchedChecker:
        doubling = self.found.is_doubling(candidate)
        machine = candidate.machine or (self.found.doubled if doubling else self.found.switched)
        name = candidate.weakening.text if candidate.machine else "doubled" if doubling else "switched"
        few = candidate.machine is not None or doubling
        options = QUICK_OPTIONS if few else None
        exact = asks_possibility(self.machine)
        loop = self._once((name, "shared"), lambda: self._loop(machine, 1, exact=exact))
        if self._judges_all(loop) and not any(item.history.resolves for item in loop.free):
            return self._once((name, "checker"), lambda: self._built(with_allowances(loop), options))
        if faulty:
            return self._once(
                (name, "faulty"),
                lambda: self._built(with_allowances(self._loop(machine, 1, exact=False)), options),
            )
        return self._once(
            (name, "plain"),
            lambda: self._built(self._loop(machine, 0, exact=exact), options),
        )

    def _judges_all(self, loop: ClosedLoop) -> bool:
        """Whether a loop with a fault judges all that one without would."""
        return loop.budget > 0 and set(loop.monitors.requirements) == set(self.machine.requirements)

    def _loop(self, machine: Machine, faults: int, *, exact: bool) -> ClosedLoop:
        return close_loop(
            self.machine,
            tick=self.result.tick,
            faults=min(faults, self.result.faults),
            exact=exact,
            possibility=exact,
            controller=switched_controller(machine, self.result.tick),
        )

    def _built(self, loop: ClosedLoop, options: tuple[str, ...] | None = None) -> SwitchedChecker:
        few = self.effort.states is not None or self.result.exploration[0].exhausted
        effort, slow = self.effort, self.on_slow_build
        if few:
            single = ParametricChecker(loop, effort=effort, options=options, on_slow_build=slow)
            with self.lock:
                return self.stack.enter_context(single)
        either = StagedChecker(loop, effort=effort, options=options, on_slow_build=slow)
        with self.lock:
            return self.stack.enter_context(either)

    # -- effects ---------------------------------------------------------------------------

    def _probe(self) -> tuple[SwitchedChecker, dict[str, int]]:
        program, marks = probing(switched_controller(self.found.switched, self.result.tick))
        loop = close_loop(
            self.machine.model_copy(update={"requirements": {}}),  # they change nothing that happens
            tick=self.result.tick,
            faults=min(1, self.result.faults),
            possibility=False,
            controller=program,
        )
        return self._built(with_allowances(loop) if self.result.faults else loop), marks

    def _marked(self, fault: int) -> frozenset[str] | None:
        """Switches that change something under a fault; None if the search did not come to its end."""
        checker, marks = self._once(("probe",), self._probe)
        answer = checker.ask(
            (allowance(fault),) if fault else (),
            marks=True,
            effort=self.effort.share(self.effort.lines),
        )
        if not answer.complete:
            return None
        return frozenset(name for name, mark in marks.items() if answer.marks[mark])
