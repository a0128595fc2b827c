"""Strength: every weakening of a machine in turn, and whether a requirement notices it.

A weakening is *noticed* if some verdict becomes broken that was not before. Each is tried in this
order, and the first break ends it; every break found is a break of the weakened machine:

1. without faults, over every reachable situation, possibility included;
2. under each single fault of the signals that the weakened condition reads or concerns, which is
   where the second of two channels shows what it is there for;
3. under every single fault, if asked for: a search as large as the check itself, for each weakening.

A weakening is called unnoticed only when every search that may notice it went to its end: then either
the condition is superfluous, or a requirement is missing. Where step 3 was left out and could still
notice it, it is undecided, and listed like an unnoticed one.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from threading import Lock

from stillgate.controller.machine import FromAnywhere, Machine, Reach
from stillgate.controller.program import ControllerProgram
from stillgate.controller.reader import MachineDocument

from .assumptions import assumptions_of
from .check import DEFAULT_BYTES, required_faults
from .closed_loop import ClosedLoop, close_loop
from .evidence import StrengthList, Weakening
from .explorer import Limits, Status
from .switchboard import Answer, Switchboard, allowance, with_allowances
from .verdict import CheckResult, Word
from .weakenings import Candidate, Weakenings, switched_controller, weakenings_of

ABOUT = (
    "Weakened in turn: each atom of a condition taken as true and as false, each interlock, override and "
    "exit removed, each time zeroed and doubled. Noticed: a verdict becomes broken that was not before.",
)


def strength(
    document: MachineDocument,
    result: CheckResult,
    *,
    full: bool = False,
    threads: int | None = None,
    time_limit: float | None = None,
    progress: Callable[[int, int], None] | None = None,
    on_slow_build: Callable[[], None] | None = None,
) -> StrengthList:
    """Every weakening of a machine file, judged at the tick and fault budget of a check of it.

    Args:
        result: the check of the same file: what is broken already notices nothing.
        full: look under every single fault before a weakening is called unnoticed.
        threads: searches at once; default one a processor.
        time_limit: seconds after which the rest is left undecided.
        progress: called with how many weakenings are judged and how many there are.
        on_slow_build: called before a compiler's slow very first call.

    Raises:
        ToolMissing: if there is no C compiler.
    """
    began = time.monotonic()
    found = weakenings_of(document)
    lines = threads or Limits().threads or _processors()
    judge = _Judge(document.machine, result, found, full, lines, on_slow_build)
    if time_limit is not None:
        judge.deadline = began + time_limit
    done = 0
    judged: list[Weakening] = []
    with judge, ThreadPoolExecutor(lines) as pool:
        for item in pool.map(judge.weakening, found.candidates):
            judged.append(item)
            done += 1
            if progress is not None:
                progress(done, len(found.candidates))
    return StrengthList(
        machine=document.machine.machine,
        tick=result.tick,
        faults=result.faults,
        weakenings=tuple(judged),
        assumptions=(
            *ABOUT,
            _how(result.faults, full),
            *assumptions_of(document.machine, result.tick, result.faults),
        ),
        seconds=time.monotonic() - began,
    )


def _processors() -> int:
    import os

    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _how(faults: int, full: bool) -> str:
    if not faults:
        return "Looked for without faults, in every reachable situation."
    if full:
        return "Looked for without faults and under every single fault, in every reachable situation."
    return (
        "Looked for without faults, and under every single fault of the signals that a weakened condition "
        "reads or concerns. A weakening that only another fault shows counts as undecided here."
    )


@dataclass
class _Boards:
    """The two checkers of one controller with switches: without faults, and with one."""

    plain: Switchboard
    faulty: Switchboard | None


@dataclass
class _Judge:
    machine: Machine
    result: CheckResult
    found: Weakenings
    full: bool
    lines: int
    on_slow_build: Callable[[], None] | None
    deadline: float | None = None
    boards: dict[str, _Boards] = field(default_factory=dict)
    stack: ExitStack = field(default_factory=ExitStack)
    lock: Lock = field(default_factory=Lock)

    def __enter__(self) -> _Judge:
        return self

    def __exit__(self, *_: object) -> None:
        self.stack.close()

    # -- one weakening ---------------------------------------------------------------------

    def weakening(self, candidate: Candidate) -> Weakening:
        """The weakening with what became of it."""
        given = candidate.weakening
        if self._late():
            return replace(given, reason="time was up before it was looked at")
        boards = self._boards(candidate)
        on = (candidate.switch,) if candidate.switch else ()
        plain = boards.plain.loop
        answer = boards.plain.ask(
            on, stop_at=self._events(plain, 0), goals=self._asks_goals(plain), limits=self._limits()
        )
        noticed = self._noticed(given, plain, answer)
        if noticed is not None:
            return noticed
        if not _complete(answer):
            return replace(
                given, reason=f"stopped without a break within {answer.depth} ticks, without faults"
            )
        if boards.faulty is None or not self._events(boards.faulty.loop, 1):
            return replace(given, noticed=False)
        return self._under_faults(candidate, boards.faulty, on)

    def _under_faults(self, candidate: Candidate, board: Switchboard, on: tuple[str, ...]) -> Weakening:
        given, loop = candidate.weakening, board.loop
        related = [item for item in loop.faults if item.subject in candidate.names]
        every = list(loop.faults)
        steps = [related, every] if self.full else [related]
        said = ", ".join(dict.fromkeys(item.subject for item in related)) or "no signal"
        answer: Answer | None = None
        for faults in steps:
            if not faults:
                continue
            if self._late():
                return replace(given, reason="time was up before every fault was looked at")
            allowed = [allowance(item.number) for item in faults]
            answer = board.ask((*on, *allowed), stop_at=self._events(loop, 1), limits=self._limits())
            noticed = self._noticed(given, loop, answer)
            if noticed is not None:
                return noticed
            if not _complete(answer):
                return replace(given, reason=f"stopped after {answer.depth} ticks without a break")
        if not self.full and len(related) < len(every):
            return replace(given, reason=f"not noticed without faults, nor under the faults of {said}")
        return replace(given, noticed=False)

    def _noticed(self, given: Weakening, loop: ClosedLoop, answer: Answer) -> Weakening | None:
        if answer.event is not None:
            fault = next((item.name for item in loop.faults if item.number == answer.fault), "")
            name = loop.requirement_names[answer.event]
            return replace(
                given, noticed=True, by=name, faults=int(bool(fault)), fault=fault, depth=answer.depth
            )
        goals = [name for name, _ in loop.monitors.goals]
        broken = self._already_broken(0)
        for number in sorted(self._lost_goals(goals, answer)):
            if goals[number] not in broken:
                return replace(given, noticed=True, by=goals[number])
        return None

    def _lost_goals(self, goals: list[str], answer: Answer) -> Iterable[int]:
        for number, name in enumerate(goals):
            requirement = self.machine.requirements[name]
            lost = answer.never if isinstance(requirement, Reach) else answer.cut_off | answer.never
            if number in lost:
                yield number

    # -- what counts -----------------------------------------------------------------------

    def _events(self, loop: ClosedLoop, faults: int) -> list[int]:
        """Breaks that count under so many faults and were not there before."""
        broken = self._already_broken(faults)
        events: list[int] = []
        for number, name in enumerate(loop.requirement_names):
            requirement = self.machine.requirements.get(name)
            if name in broken:
                continue
            if requirement is None:
                if not faults:
                    events.append(number)  # a counter's bounds: broken without faults
            elif required_faults(self.machine, requirement) >= faults:
                events.append(number)
        return events

    def _already_broken(self, faults: int) -> set[str]:
        found = {
            item.name
            for item in self.result.requirements
            for judgement in item.judgements
            if judgement.word is not Word.HOLDS and judgement.faults <= faults
        }
        return found | {item.subject for item in self.result.findings if item.breaks}

    def _asks_goals(self, loop: ClosedLoop) -> bool:
        return bool(loop.monitors.goals)

    # -- checkers --------------------------------------------------------------------------

    def _boards(self, candidate: Candidate) -> _Boards:
        with self.lock:
            if candidate.machine is not None:
                return self._made(candidate.weakening.text, candidate.machine)
            doubling = self.found.is_doubling(candidate)
            return self._made(
                "doubled" if doubling else "switched", self.found.doubled if doubling else self.found.switched
            )

    def _made(self, name: str, machine: Machine) -> _Boards:
        if name not in self.boards:
            program = switched_controller(machine, self.result.tick)
            possible = any(
                isinstance(item, Reach | FromAnywhere) for item in self.machine.requirements.values()
            )
            plain = self._board(program, 0, possible)
            faulty = self._board(program, 1, False) if self.result.faults else None
            self.boards[name] = _Boards(plain, faulty)
        return self.boards[name]

    def _board(self, program: ControllerProgram, faults: int, possible: bool) -> Switchboard:
        loop = close_loop(
            self.machine,
            tick=self.result.tick,
            faults=faults,
            exact=possible,
            possibility=possible,
            controller=program,
        )
        board = Switchboard(
            with_allowances(loop) if faults else loop, lines=self.lines, on_slow_build=self.on_slow_build
        )
        return self.stack.enter_context(board)

    # -- time ------------------------------------------------------------------------------

    def _late(self) -> bool:
        return self.deadline is not None and time.monotonic() >= self.deadline

    def _limits(self) -> Limits:
        left = None if self.deadline is None else max(0.0, self.deadline - time.monotonic())
        return Limits(bytes=DEFAULT_BYTES // self.lines, seconds=left)


def _complete(answer: Answer) -> bool:
    return answer.outcome is not None and answer.outcome.status is Status.COMPLETE
