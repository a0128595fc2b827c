"""A second opinion: the requirements judged again from the Program, by z3 instead of exploration.

What the explorer lists, this proves: no state is enumerated. The two share the Program and
its closed loop, and nothing else (where the explorer found a way, its length says how far to look
for one); they do not even use the same loop, since z3 has every
input chosen in every tick and every memory kept (``transition_system``).

* never, always, responses, invariances, precedences: as 'BROKEN is never noted', proved or
  refuted by ``ic3``; all proofs of a fault budget together are one inductive
  invariant, which is re-checked by three queries to a fresh solver.
* reach: the same question the other way round; its refutation is the way to the goal.
* a way may also be found by writing the loop out tick after tick (``bmc``).
* from anywhere: z3 is not asked. The explorer's states are ranked by their distance to the goal
  and a checker that steps the evaluator re-checks set and ranks (``states_recheck``).

A refutation counts when the Python runner, given z3's answers, breaks the same requirement in
the last tick. A time-out is no opinion: undecided, which neither agrees nor disagrees.

A tick longer than the scan, the parts' times and the faults considered are the explorer's too:
a wrong assumption about the machine is confirmed by both.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import TYPE_CHECKING

from stillgate.controller.effort import Effort
from stillgate.controller.errors import CapReached, ProgramFault, UsageError
from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.machine_file.machine import FromAnywhere, Machine, Requirement
from stillgate.controller.reading.reader import MachineDocument

from ..checking.checker import required_faults
from ..proofs.solver import RANKS, Tell, solver_name
from ..requirements.monitors import fault_budget, is_judged
from ..results.requirement_text import pattern_of
from ..results.ticks import chosen_tick
from ..results.verdict import CheckResult, Judgement, Story, Word, tick_caution

if TYPE_CHECKING:
    from ..proofs.prover_run import Judged


@dataclass(frozen=True, slots=True)
class CrossCheckRow:
    """What the second method says of one requirement under one fault budget."""

    name: str
    pattern: str
    faults: int
    method: str
    verdict: Word
    depth: Ticks | None  # of a way or the longest rank: ticks; of a proof: frames (k); None if undecided
    seconds: float
    explored: Word | None  # what the exploration says; None if it was not asked
    story: Story | None = None
    reason: str = ""  # why undecided
    counts: bool = True  # whether the requirement must withstand so many faults
    explored_story: Story | None = None

    @property
    def agrees(self) -> bool | None:
        """Whether both say the same; None where one of them says nothing."""
        if self.explored is None or Word.UNDECIDED in (self.verdict, self.explored):
            return None
        return self.verdict is self.explored


@dataclass(frozen=True, slots=True)
class CrossCheck:
    """The second opinion on a machine."""

    machine: str
    digest: str  # SHA-256 of the machine file
    version: str
    prover: str  # name and version of the solver
    tick: Milliseconds
    scan: Milliseconds
    faults: int
    opinions: tuple[CrossCheckRow, ...]  # per requirement, then per fault budget
    clauses: tuple[int, ...]  # of the invariant that proves all 'holds', per fault budget
    seconds: float
    interrupted: bool = False

    @property
    def tick_caution(self) -> str:
        """What verdicts at another tick than the scan are worth; empty at the scan."""
        return tick_caution(self.tick, self.scan)

    @property
    def disagreements(self) -> tuple[CrossCheckRow, ...]:
        """Where the two methods contradict each other: a defect of this program."""
        return tuple(item for item in self.opinions if item.agrees is False)

    @property
    def undecided(self) -> tuple[CrossCheckRow, ...]:
        """Where this method says nothing."""
        return tuple(item for item in self.opinions if item.verdict is Word.UNDECIDED)


def cross_checked(
    document: MachineDocument,
    *,
    tick: Milliseconds | None = None,
    faults: int | None = None,
    effort: Effort | None = None,
    explored: CheckResult | None = None,
    only: frozenset[str] | None = None,
    tell: Tell | None = None,
) -> CrossCheck:
    """Judges every requirement again.

    Args:
        tick: period of the step in ms; default the file's, else the scan.
        faults: fault budget, 0 or 1; default the file's.
        effort: of all proofs together; what is not done by then is undecided.
        explored: a check at the same tick, to be compared with; the lengths of its ways are tried first.
        only: names of the requirements to judge; default all.
        tell: told what is being done.

    Raises:
        ToolMissing: if z3 is not installed.
        ProgramFault: if z3's answer cannot be replayed or its proof not re-checked.
    """
    prover = solver_name()
    from ..proofs.prover_run import Judged, ProofRun

    machine = document.machine
    period = chosen_tick(machine, tick)
    budget = fault_budget(machine, faults)
    began = time.monotonic()
    given = effort or Effort()
    ranked = any(isinstance(item, FromAnywhere) for item in _wanted(machine, only).values())
    run = ProofRun(
        document, period, budget, given.part(1 + ranked), tell, only, _lengths(explored, period)
    )  # fmt: skip
    found: dict[tuple[str, int], Judged] = {}
    try:
        found |= run.judge()
        if not run.interrupted:
            found |= _from_anywhere(document, period, given, only, tell)
    except KeyboardInterrupt:
        run.interrupted = True
    run.interrupted = run.interrupted or given.stop.is_set()
    reason = "interrupted" if run.interrupted else "the time was over before it was asked"
    not_asked = Judged("none", Word.UNDECIDED, reason=reason)
    opinions = tuple(
        CrossCheckRow(
            name=name,
            pattern=pattern_of(requirement),
            faults=count,
            method=item.method,
            verdict=item.verdict.at(period, machine.scan),
            depth=item.depth,
            seconds=item.seconds,
            explored=None if judgement is None else judgement.word,
            story=item.story,
            reason=item.reason,
            counts=count <= required_faults(machine, requirement),
            explored_story=None if judgement is None else judgement.story,
        )
        for name, requirement in _wanted(machine, only).items()
        for count in budgets_of(machine, name, budget)
        for item in (found.get((name, count), not_asked),)
        for judgement in (_explored(explored, name, count, period),)
    )
    return CrossCheck(
        machine=machine.machine,
        digest=document.digest,
        version=version("stillgate"),
        prover=prover,
        tick=period,
        scan=machine.scan,
        faults=budget,
        opinions=opinions,
        clauses=run.clauses,
        seconds=time.monotonic() - began,
        interrupted=run.interrupted,
    )


def _from_anywhere(
    document: MachineDocument,
    tick: Milliseconds,
    effort: Effort,
    only: frozenset[str] | None,
    say: Tell | None,
) -> dict[tuple[str, int], Judged]:
    """What can be reached from anywhere, by the explorer's ranked states, checked again one by one."""
    from ..certificates.certify import certificate_loop, states_certificate
    from ..certificates.states_recheck import recheck_states
    from ..proofs.prover_run import Judged

    wanted = {
        name: item for name, item in _wanted(document.machine, only).items() if isinstance(item, FromAnywhere)
    }
    if not wanted:
        return {}
    # What the others remember would only make states of which the goals know nothing.
    machine = document.machine.model_copy(update={"requirements": wanted})
    began = time.monotonic()

    def words(done: int, total: int) -> None:
        if say is not None:
            say(f"no fault: ranks of states checked again, {done} of {total}")

    def undecided(reason: str) -> dict[tuple[str, int], Judged]:
        return {(name, 0): Judged(RANKS, Word.UNDECIDED, None, spent(), None, reason) for name in wanted}

    def spent() -> float:
        return (time.monotonic() - began) / len(wanted)

    try:
        certificate = states_certificate(
            replace(document, machine=machine), tick=tick, faults=0, effort=effort.part(2)
        )
        loop = certificate_loop(machine, tick, 0)
        done = recheck_states(loop, certificate, effort=effort, progress=words)
    except (CapReached, UsageError) as error:
        return undecided(str(error))
    if done.cut_short:
        return undecided(f"{done.states} of {len(certificate.states)} states checked in the time given")
    if done.refusal is not None:
        raise ProgramFault(
            f"the explorer's states do not stand up to being checked again: {done.refusal.text}"
        )
    found = undecided("the explorer gave no ranks: some state has no way there")
    for name in certificate.ranks:
        ranks = certificate.ranks[name]
        found[name, 0] = Judged(RANKS, Word.HOLDS, max(ranks), spent())
    return found


def _wanted(machine: Machine, only: frozenset[str] | None) -> dict[str, Requirement]:
    """The requirements to judge."""
    return {name: item for name, item in machine.requirements.items() if only is None or name in only}


def budgets_of(machine: Machine, name: str, budget: int) -> range:
    """Fault budgets a requirement is judged under: what is possible is judged without faults."""
    with_faults = is_judged(machine.requirements[name], 1, possibility=False)
    return range(budget + 1 if with_faults else 1)


def _lengths(result: CheckResult | None, tick: Milliseconds) -> dict[tuple[str, int], Ticks]:
    """Ticks of the exploration's ways to a break or a goal, by requirement and fault budget."""
    return {
        (item.name, judgement.faults): judgement.depth
        for item in (result.requirements if result else ())
        for judgement in item.judgements
        if judgement.depth and judgement.word is not Word.UNDECIDED and judgement.tick == tick
    }


def _explored(result: CheckResult | None, name: str, faults: int, tick: Milliseconds) -> Judgement | None:
    if result is None:
        return None
    for item in result.requirements:
        for judgement in item.judgements:
            if item.name == name and judgement.faults == faults and judgement.tick == tick:
                return judgement
    return None
