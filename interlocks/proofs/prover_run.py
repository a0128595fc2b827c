"""Runs the prover over all requirements of a machine, re-checks what it says, replays what it finds.

Proofs help each other: what one has excluded the next need not exclude again. So what is guessed
of counters comes first (``counter_invariants``), then the cheap ones, and the patience grows from
round to round. What is not proved in its time is looked for as a way, written out tick after
tick; where the explorer found a way, its length is tried first (the way is z3's own, or none), and
so is a goal that is to be reached. What a proof for all faults at once does not show in its time is
then shown fault by fault. With a fault budget, the invariant of the loop without faults is tried
first, as far as it is inductive with faults, and holds in any case of situations before the fault.

No word rests on the prover alone. 'holds': the invariant of all proofs is re-checked by a fresh
solver. 'broken': the way is replayed by the Python runner, state for state, and must note BROKEN.
That no value leaves its cell's range is proved first; without it no proof counts.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import partial

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.errors import ProgramFault
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.machine_file.machine import FromAnywhere, Reach
from stillgate.controller.reading.reader import MachineDocument

from ..loop.answers import Answers, answering, noting
from ..loop.counterexample import Replay, tell, truths_of
from ..loop.fewest_changes import FewestChanges
from ..loop.interpreter import LoopRunner, Tick
from ..results.requirement_text import sentence_of
from ..results.verdict import Story, Word
from .bmc import way_within
from .counter_invariants import counters_in_step
from .cubes import Cube
from .fault_partition import ByFault
from .formulas import Formula
from .ic3 import Proof, Prover, SymbolicRun
from .inductive_check import InvariantFault, carried_over, faults_of_invariant, inductive_part
from .solver import INDUCTION, REPLAY, Tell
from .transition_system import LoopFormula, loop_formula

PATIENCE = (2.0, 10.0, 40.0, 160.0)
"""Seconds that a proof gets in each round; the last round has no limit but the run's."""

ASKING = 0.75
"""Part of the time for proofs and ways; the rest is kept for checking the proofs again."""

SHARES_OF_GUESSES = 4
"""What is guessed before the proofs gets one of so many shares of the time."""

ROUNDS_AT_ONCE = 2
"""Rounds with all faults at once; the last one is then fault by fault."""

LENGTHS = (8, 16, 32, 64, 128)
"""Ticks that are written out in each round, in search of a way."""

WRITTEN_OUT = 120.0
"""Most seconds for a way of a length that is worth it: the explorer's, or one to a goal."""

RANGES = "values stay in their ranges"


@dataclass(frozen=True, slots=True)
class Judged:
    """One verdict of the second method."""

    method: str
    verdict: Word
    depth: Ticks | None = None
    seconds: float = 0.0
    story: Story | None = None
    reason: str = ""


@dataclass(frozen=True)
class Invariant:
    """An inductive invariant of a loop, and what it proves never to happen."""

    formula: LoopFormula
    cubes: tuple[Cube, ...]
    proves: tuple[str, ...]


@dataclass
class _Open:
    """A question that is not answered yet."""

    name: str
    condition: Formula
    spent: float = 0.0
    prover: Prover | None = None  # goes on in the next round
    told: int = 0  # how many of the known cubes it was given


@dataclass
class ProofRun:
    """All proofs of a machine; ``judge`` runs them.

    Attributes:
        effort: of all proofs together.
        only: names of the requirements to judge; None for all.
        lengths: of ways to look for, by requirement and fault budget: the explorer's, if it found one.
        interrupted: whether Ctrl-C ended it; what was not done is undecided.
        invariants: by fault budget, what was proved.
    """

    document: MachineDocument
    tick: Milliseconds
    budget: int
    effort: Effort
    say: Tell | None = None
    only: frozenset[str] | None = None
    lengths: Mapping[tuple[str, int], Ticks] = field(default_factory=dict)
    interrupted: bool = False
    invariants: dict[int, Invariant] = field(default_factory=dict)

    @property
    def clauses(self) -> tuple[int, ...]:
        """Clauses of the invariant of each fault budget."""
        found = (self.invariants.get(budget) for budget in range(self.budget + 1))
        return tuple(len(item.cubes) if item else 0 for item in found)

    def judge(self) -> dict[tuple[str, int], Judged]:
        """The verdict on each requirement under each fault budget, possibility from anywhere left out.

        A fault budget that no time is left for is left out.

        Raises:
            ProgramFault: if a proof or a way does not stand up to being checked again.
        """
        found: dict[tuple[str, int], Judged] = {}
        for budget in range(self.budget + 1):
            if self.effort.over:
                break
            given = self.effort.part(self.budget + 1 - budget)
            try:
                formula = loop_formula(self.document.machine, tick=self.tick, faults=budget, effort=given)
            except OutOfTime:
                break
            for name, item in _Round(self, formula, budget, given).judge().items():
                found[name, budget] = item
        return found


class _Round:
    """The proofs of one fault budget."""

    def __init__(self, run: ProofRun, formula: LoopFormula, budget: int, effort: Effort) -> None:
        left = effort.left()
        self.effort = effort
        self.asking = effort if left is None else effort.within(left * ASKING)
        self.run = run
        self.formula = formula
        self.budget = budget
        self.known: list[Cube] = []
        self.frames: dict[str, tuple[int, float]] = {}
        self.found: dict[str, Judged] = {}
        self.by_fault: ByFault | None = None

    def judge(self) -> dict[str, Judged]:
        questions = [_Open(RANGES, self.formula.outside), *self._questions()]
        open_ = sorted(questions, key=lambda item: (item.name, self.budget) not in self.run.lengths)
        try:
            self._begin()
            rounds = PATIENCE if self.by_fault is None else PATIENCE[:ROUNDS_AT_ONCE]
            for number, patience in enumerate((*rounds, None)):
                asked = [
                    (item, self._ask(item, number, self.asking.part(len(open_) - place), patience))
                    for place, item in enumerate(open_)
                ]
                open_ = [item for item, answered in asked if not answered]
                if not self.frames and all(item.name == RANGES for item in open_):
                    break  # nothing was proved, so nothing rests on the ranges
        except KeyboardInterrupt:
            self.run.interrupted = True
            open_ = [item for item in questions if item.name not in self.frames]
        self._recheck(questions)
        self.run.interrupted = self.run.interrupted or self.effort.stop.is_set()
        reason = "interrupted" if self.run.interrupted else "no proof and no way found in the time given"
        for item in open_:
            if item.name not in self.found:
                self.found[item.name] = Judged(INDUCTION, Word.UNDECIDED, None, item.spent, reason=reason)
        self.found.pop(RANGES, None)
        return self.found

    def _questions(self) -> list[_Open]:
        found: list[_Open] = []
        for name in self.formula.loop.monitors.requirements:
            if self.run.only is not None and name not in self.run.only:
                continue
            requirement = self.run.document.machine.requirements[name]
            if isinstance(requirement, Reach):
                found.append(_Open(name, self.formula.goals[name]))
            elif not isinstance(requirement, FromAnywhere):
                found.append(_Open(name, self.formula.broken[name]))
        return found

    def _begin(self) -> None:
        before = self.run.invariants.get(self.budget - 1)
        try:
            if before is not None:
                self._say("what holds without faults")
                candidates = carried_over(before.cubes, before.formula, self.formula)
                given = self.asking.part(SHARES_OF_GUESSES)
                self.known += inductive_part(self.formula, candidates, effort=given)
            self._say("counters that are in step")
            given = self.asking.part(SHARES_OF_GUESSES)
            self.known += counters_in_step(self.formula, self.known, effort=given)
        except OutOfTime:
            self.known.clear()
        if before is None:
            return
        healthy = (before.cubes, before.formula)
        self.by_fault = ByFault(self.formula, healthy, self.known, self._say)

    def _ask(self, item: _Open, number: int, effort: Effort, patience: float | None) -> bool:
        """Whether the question is answered in this round, the first being 0, by its share of the time."""
        began = time.monotonic()
        self._say(item.name)
        try:
            answer = self._answer(item, number, effort, patience)
        except OutOfTime:
            return False
        finally:
            item.spent += time.monotonic() - began
        item.prover = None
        if isinstance(answer, Proof):
            self.known += answer.invariant
            self.frames[item.name] = (answer.frames, item.spent)
        else:
            self.found[item.name] = self._replayed(item, answer)
        return True

    def _answer(
        self, item: _Open, number: int, effort: Effort, patience: float | None
    ) -> Proof | SymbolicRun:
        """A way where one is expected, else a proof, else a way of a length that grows with the rounds."""
        hint = self.run.lengths.get((item.name, self.budget))
        if hint is not None or item.name in self.formula.goals:
            expected = LENGTHS if hint is None else (hint,)
            way = self._written_out(item, () if number else expected, effort.part(2).within(WRITTEN_OUT))
            if way is not None:
                return way
        try:
            proving = effort.part(2).within(patience)
            if self.by_fault is not None and patience is None:
                item.prover = None
                return self.by_fault.prove(partial(_condition, item.name), proving)
            return self._prover(item).run(proving)
        except OutOfTime:
            way = self._written_out(item, (LENGTHS[number],), effort.within(patience))
            if way is None:
                raise
            return way

    def _prover(self, item: _Open) -> Prover:
        """The question's prover, told what is known by now."""
        if item.prover is None or item.prover.spoiled:
            item.prover, item.told = Prover(self.formula, item.condition), 0
        item.prover.learn(self.known[item.told :])
        item.told = len(self.known)
        return item.prover

    def _written_out(self, item: _Open, lengths: Iterable[Ticks], effort: Effort) -> SymbolicRun | None:
        try:
            ways = (way_within(self.formula, item.condition, length, effort) for length in lengths)
            return next((way for way in ways if way is not None), None)
        except OutOfTime:
            return None

    # -- checking again --------------------------------------------------------------------

    def _recheck(self, questions: list[_Open]) -> None:
        """Turns proofs into verdicts once their invariant has been checked again."""
        conditions = {item.name: item.condition for item in questions if item.name in self.frames}
        conditions.pop(RANGES, None)
        if not self.frames:
            return
        self._say("checking the proofs again")
        began = time.monotonic()
        missing = "" if RANGES in self.frames else f"not proved in time: {RANGES}"
        wrong: list[InvariantFault] = []
        try:
            if not missing:
                effort = self.effort.closing()
                wrong = faults_of_invariant(self.formula, self.known, conditions, effort=effort)
        except OutOfTime:
            missing = "proved, but the time was over before the proof was checked again"
        except KeyboardInterrupt:
            missing, self.run.interrupted = "proved, but interrupted before the proof was checked again", True
        if wrong:
            raise ProgramFault(f"a proof of z3 does not stand up to being checked again: {wrong[0].text}")
        share = (time.monotonic() - began) / max(1, len(conditions))
        for name in conditions:
            frames, spent = self.frames[name]
            reach = isinstance(self.run.document.machine.requirements[name], Reach)
            word = Word.BROKEN if reach else Word.HOLDS
            self.found[name] = (
                Judged(INDUCTION, Word.UNDECIDED, None, spent, reason=missing)
                if missing
                else Judged(INDUCTION, word, frames, spent + share)
            )
        if not missing:
            self.run.invariants[self.budget] = Invariant(self.formula, tuple(self.known), tuple(conditions))

    def _replayed(self, item: _Open, way: SymbolicRun) -> Judged:
        """The verdict that a way shows, if the runner goes it and finds the same at its end."""
        loop = self.formula.loop
        runner = LoopRunner(loop)
        ticks: list[Tick] = []
        answers: list[Answers] = []
        runner.begin(answering(way.start))
        for number, picks in enumerate(way.steps):
            if runner.key() != way.keys[number]:
                raise ProgramFault(f"the formula and the evaluator part in tick {number} of {item.name}")
            given: list[tuple[str, int]] = []
            ticks.append(runner.step(noting(answering(picks), given), settle=False))
            answers.append(tuple(given))
        if item.name == RANGES:
            raise ProgramFault("z3 found a value that leaves its cell's range, and the evaluator did not")
        requirement = self.run.document.machine.requirements[item.name]
        reach = isinstance(requirement, Reach)
        if reach:
            happened = ticks[-1].goals[[name for name, _ in loop.monitors.goals].index(item.name)]
        else:
            happened = item.name in {loop.requirement_names[index] for index in ticks[-1].broken}
        if not happened:
            raise ProgramFault(f"the way that z3 found for {item.name} does not lead there when replayed")
        circuits = tuple(
            {name: tick.values[cell.name] for name, cell in loop.circuits.items()} for tick in ticks
        )
        at = format_duration((len(ticks) - 1) * loop.tick)
        done = "is reached" if reach else "is broken"
        headline = f"{item.name} {done} {at} after power-on ({sentence_of(requirement)})"
        run = Replay(loop, tuple(ticks), circuits, truths_of(runner, ticks), way.keys[0], tuple(answers))
        story = tell(run if reach else FewestChanges(loop).of(run, item.name), headline)
        word = Word.HOLDS if reach else Word.BROKEN
        return Judged(REPLAY, word, len(ticks), item.spent, story)

    def _say(self, what: str) -> None:
        if self.run.say is not None:
            self.run.say(f"{'one fault' if self.budget else 'no fault'}: {what}")


def _condition(name: str, formula: LoopFormula) -> Formula:
    """The question of a name, said of a loop."""
    return formula.outside if name == RANGES else formula.broken[name]
