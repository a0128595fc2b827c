"""Proves that something never happens in a loop, or finds how it does, without unrolling.

Frames F0 (the start states), F1, F2 ... are sets of clauses over one state; Fi holds of every
state reachable in at most i ticks. A state of the last frame from which something bad can
happen is an obligation: either it has a predecessor in the frame before, which becomes an
obligation in turn, or a clause that excludes it is learnt. When two neighbouring frames have
the same clauses, they are an inductive invariant and nothing bad is reachable. An obligation
that meets the start states is the way to something bad.

Clauses are made of bounds on cells, ``timer >= 3`` or ``state <> 1``, of which as many as
possible are dropped: first those no proof needed (unsatisfiable cores), then one by one.
Obligations are shrunk the same way, to all the states that go there by the same answers.

Sources: A. Bradley, SAT-based model checking without unrolling, VMCAI 2011; N. Een,
A. Mishchenko, R. Brayton, Efficient implementation of property directed reachability,
FMCAD 2011. The proof is not to be trusted but re-checked: ``Proof.invariant`` is inductive,
and two queries that share nothing with this module say so (``inductive_check.faults_of_invariant``).
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import z3

from stillgate.controller.effort import Effort

from .cubes import Bound, BoundSolver, Cube, Lifter, answered, fresh_solver, outside_all, within
from .formulas import Formula, implies, opposite
from .transition_system import Key, LoopFormula


@dataclass(frozen=True)
class Proof:
    """Nothing bad is reachable: every cube is excluded, and that is inductive."""

    invariant: tuple[Cube, ...]
    frames: int


@dataclass(frozen=True)
class SymbolicRun:
    """Something bad is reachable: the states from start to the one it happens in, and all answers."""

    start: list[int]
    steps: list[list[int]]
    keys: list[Key]


@dataclass(order=True)
class _Obligation:
    frame: int
    number: int
    cube: Cube = field(compare=False)
    then: _Obligation | None = field(compare=False)  # what is reached from it; None: the bad step


class Prover:
    """Proves or refutes that a condition on steps never comes true.

    Args:
        loop: the loop's formulas.
        known: cubes that are known to be unreachable, by proofs made before.
    """

    def __init__(self, loop: LoopFormula, bad: Formula, known: Iterable[Cube] = ()) -> None:
        self.loop = loop
        self.bad = z3.And(loop.allowed, bad)
        self.frames: list[list[Cube]] = [[], []]
        self._active: list[Any] = []
        self._numbers = itertools.count()
        self._retire = itertools.count()
        self._effort = Effort()
        self.main = BoundSolver(loop)
        self.main.solver.add(loop.domain, outside_all(loop, known), loop.moves)
        self._bad = z3.Bool("bad")
        self.main.solver.add(z3.Implies(self._bad, self.bad))
        self._allowed = z3.Bool("allowed")
        self.main.solver.add(z3.Implies(self._allowed, loop.allowed))
        self._start = z3.Bool("start")
        self.main.solver.add(z3.Implies(self._start, loop.begin))
        self.starts = BoundSolver(loop)
        self.starts.solver.add(loop.begin)
        self.lifter = Lifter(loop)
        self._misses = self.lifter.place(bad)

    # -- the search ------------------------------------------------------------------------

    @property
    def spoiled(self) -> bool:
        """Whether a query was ended midway: it cannot go on, and has to begin anew."""
        return any(item.spoiled for item in (self.main, self.starts, self.lifter.solver))

    def learn(self, known: Iterable[Cube]) -> None:
        """Takes up what proofs made meanwhile have excluded; what was learnt before stays right."""
        self.main.solver.add(outside_all(self.loop, known))

    def run(self, effort: Effort | None = None) -> Proof | SymbolicRun:
        """The proof, or the way to something bad. Out of time before, it goes on where it was.

        Args:
            effort: where to give up.

        Raises:
            OutOfTime: if the effort is over.
        """
        given = effort or Effort()
        for solver in (self.main, self.starts, self.lifter.solver):
            solver.give(given)
        self._effort = given
        while True:
            found = self._strengthen()
            if found is not None:
                return found
            self.frames.append([])
            level = self._push()
            if level is not None:
                return Proof(tuple(cube for cubes in self.frames[level:] for cube in cubes), len(self.frames))

    @property
    def _last(self) -> int:
        return len(self.frames) - 1

    def _strengthen(self) -> SymbolicRun | None:
        """Excludes every state of the last frame from which something bad happens at once."""
        while True:
            while self.main.check([self._bad, *self._frame(self._last)]):
                model = self.main.solver.model()
                cube = self.lifter.lift(model, self._misses)
                way = self._discharge(_Obligation(self._last, next(self._numbers), cube, None))
                if way is not None:
                    return way
            return None

    def _discharge(self, first: _Obligation) -> SymbolicRun | None:
        queue = [first]
        while queue:
            item = heapq.heappop(queue)
            if item.frame == 0 or self._meets_start(item.cube):
                return self._way(item)
            if self._excluded(item.cube, item.frame):
                continue
            core = self._inductive(item.cube, item.frame - 1)
            if core is None:
                model = self.main.solver.model()
                before = self._predecessor(model, item.cube)
                heapq.heappush(queue, item)
                heapq.heappush(queue, _Obligation(item.frame - 1, next(self._numbers), before, item))
                continue
            cube = self._generalize(self._apart_from_start(item.cube, core), item.frame - 1)
            level = item.frame
            while level < self._last and self._inductive(cube, level) is not None:
                level += 1
            self._learn(cube, level)
            if level < self._last:
                heapq.heappush(queue, _Obligation(level + 1, next(self._numbers), item.cube, item.then))
        return None

    def _push(self) -> int | None:
        """Moves clauses on to later frames; the frame that equals the next one, if there is one."""
        for level in range(1, self._last):
            for cube in list(self.frames[level]):
                if self._inductive(cube, level, itself=False) is not None:
                    self.frames[level].remove(cube)
                    self._learn(cube, level + 1)
            if not self.frames[level]:
                return level + 1
        return None

    # -- queries ---------------------------------------------------------------------------

    def _frame(self, level: int) -> list[Any]:
        """Assumptions that make a frame: its clauses and those of all later frames."""
        while len(self._active) <= self._last + 1:
            self._active.append(z3.Bool(f"frame {len(self._active)}"))
        return [self._start] if level == 0 else self._active[level : self._last + 1]

    def _inductive(self, cube: Cube, level: int, *, itself: bool = True) -> set[Bound] | None:
        """Whether no step leads from the frame (outside the cube) into the cube, and by which bounds."""
        assumptions = [self._allowed, *self._frame(level)]
        retire = None
        if itself:
            retire = z3.Bool(f"outside {next(self._retire)}")
            self.main.solver.add(z3.Or(z3.Not(retire), z3.Not(within(self.loop, cube))))
            assumptions.append(retire)
        met = self.main.check([*assumptions, *(self.main.name(item, True) for item in cube)])
        result = None if met else self.main.core()
        if not met and retire is not None:
            self.main.solver.add(z3.Not(retire))
        return result

    def _meets_start(self, cube: Cube) -> bool:
        return self.starts.check([self.starts.name(item, False) for item in cube])

    def _apart_from_start(self, cube: Cube, core: set[Bound]) -> Cube:
        """The bounds of a core, with those that keep the cube apart from the start states."""
        kept = tuple(item for item in cube if item in core)
        if self._meets_start(kept):
            assert not self._meets_start(cube)
            kept = tuple(item for item in cube if item in core | self.starts.core())
        return kept

    def _generalize(self, cube: Cube, level: int) -> Cube:
        """Drops bounds one by one as long as the cube stays unreachable from the frame."""
        kept = cube
        for bound in cube:
            if bound not in kept or len(kept) == 1:
                continue
            fewer = tuple(item for item in kept if item != bound)
            if self._meets_start(fewer):
                continue
            core = self._inductive(fewer, level)
            if core is not None:
                kept = self._apart_from_start(fewer, core)
        return kept

    def _excluded(self, cube: Cube, level: int) -> bool:
        wanted = set(cube)
        return any(wanted.issuperset(known) for cubes in self.frames[level:] for known in cubes)

    def _learn(self, cube: Cube, level: int) -> None:
        self._frame(level)
        wanted = set(cube)
        for cubes in self.frames[1 : level + 1]:
            cubes[:] = [known for known in cubes if not wanted.issubset(known)]
        self.frames[level].append(cube)
        self.main.solver.add(implies(self._active[level], opposite(within(self.loop, cube))))

    def _predecessor(self, model: Any, cube: Cube) -> Cube:
        misses = self.lifter.place(within(self.loop, cube, self.loop.then))
        found = self.lifter.lift(model, misses)
        self.lifter.forget(misses)
        return found

    # -- ways ------------------------------------------------------------------------------

    def _way(self, item: _Obligation) -> SymbolicRun:
        """Concrete states and answers along a chain of obligations."""
        solver = fresh_solver()
        solver.add(self.loop.begin, within(self.loop, item.cube))
        assert answered(solver, self._effort)
        model = solver.model()
        way = SymbolicRun(self.loop.begin_picks(model), [], [self.loop.key_of(model, self.loop.now)])
        step: _Obligation | None = item
        while step is not None:
            following = step.then
            target = self.bad if following is None else within(self.loop, following.cube, self.loop.then)
            solver = fresh_solver()
            solver.add(self.loop.step, self.loop.is_state(way.keys[-1]), target)
            assert answered(solver, self._effort), "an obligation leads on from all of its states"
            model = solver.model()
            way.steps.append(self.loop.step_picks(model))
            way.keys.append(self.loop.key_of(model, self.loop.then))
            step = following
        return way
