"""Sets of states as bounds on cells, and solvers that say which bounds an answer needed.

A *cube* is a conjunction of bounds such as ``timer >= 3`` and ``fault <> 2``: all states that
satisfy them. Proofs exclude cubes; the fewer bounds a cube has, the more it excludes. A cell
whose numbers are names is bounded by what it is not, so that one cube speaks of all faults
but a few.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from threading import Lock, Thread
from typing import Any

import z3

from stillgate.controller.effort import LOOK_EVERY, Effort, OutOfTime

from .formulas import YES, Formula, all_of, any_of, equal, implies, is_yes, opposite
from .transition_system import Key, LoopFormula, coded


class Relation(Enum):
    """How a bound compares."""

    AT_LEAST = ">="
    AT_MOST = "<="
    OTHER_THAN = "<>"


@dataclass(frozen=True, slots=True)
class Bound:
    """A comparison of a cell, given by its place in the key, with a value."""

    cell: int
    relation: Relation
    value: int


Cube = tuple[Bound, ...]
"""States that satisfy every bound; its negation is a clause."""


def fresh_solver() -> Any:
    """A solver of finite domains. Ctrl-C is not its business: it is heard of by the stop flag."""
    solver = z3.SolverFor("QF_FD")
    solver.set("ctrl_c", False)
    return solver


class _Watch:
    """Ends z3's present query once its effort is over.

    z3 lets nobody else into the thread that asks, and to ask in another one takes longer than most answers.
    """

    def __init__(self) -> None:
        self._lock = Lock()
        self._effort: Effort | None = None
        self._ended = False
        self._thread: Thread | None = None

    def __call__(self, solver: Any, effort: Effort, assumptions: Sequence[Any]) -> Any:
        """z3's answer; unknown if it was told to end, even if it had one by then.

        Told just after its answer, z3 ends what it is asked next, and drops what it is given to prepare it.
        """
        if self._thread is None:
            self._thread = Thread(target=self._look, name="z3", daemon=True)
            self._thread.start()
        self._effort, self._ended = effort, False
        try:
            answer = solver.check(*assumptions)
        finally:
            with self._lock:  # from here on no query is ended that is not meant
                self._effort = None
        return z3.unknown if self._ended else answer

    def _look(self) -> None:
        while True:
            time.sleep(LOOK_EVERY)
            with self._lock:
                if self._effort is not None and self._effort.over:
                    self._ended = True
                    z3.main_ctx().interrupt()


_ask = _Watch()


def answered(solver: Any, effort: Effort, *assumptions: Any) -> bool:
    """Whether there is a model.

    A solver whose query was ended is of no use any more: z3 may leave it half prepared, and it then gives
    up whatever it is asked.

    Raises:
        OutOfTime: if the effort is over before z3 has an answer, or z3 gave up.
    """
    effort.look()
    answer = _ask(solver, effort, assumptions)
    if answer == z3.unknown:
        raise OutOfTime
    return bool(answer == z3.sat)


def within(loop: LoopFormula, cube: Cube, unknowns: Sequence[Any] | None = None) -> Formula:
    """That a state lies in a cube."""
    places = loop.now if unknowns is None else unknowns
    if places is not loop.now and places is not loop.then:
        return all_of(bound_formula(loop, item, places[item.cell]) for item in cube)
    later = places is loop.then
    found = loop.made.get((cube, later))
    if found is None:
        found = loop.made[cube, later] = all_of(_once(loop, item, later) for item in cube)
    return found


def _once(loop: LoopFormula, bound: Bound, later: bool) -> Formula:
    """A bound said of the state before or after the step; to make a formula takes longer than to find it."""
    found = loop.made.get((bound, later))
    if found is None:
        unknown = (loop.then if later else loop.now)[bound.cell]
        found = loop.made[bound, later] = bound_formula(loop, bound, unknown)
    return found


def contains(cube: Cube, key: Key) -> bool:
    """Whether a state lies in a cube: ``within``, said of numbers."""
    for bound in cube:
        value = key[bound.cell]
        if bound.relation is Relation.AT_LEAST:
            met = value >= bound.value
        elif bound.relation is Relation.AT_MOST:
            met = value <= bound.value
        else:
            met = value != bound.value
        if not met:
            return False
    return True


def bound_formula(loop: LoopFormula, bound: Bound, unknown: Any) -> Formula:
    """A bound said of the unknown of its cell."""
    cell = loop.cells[bound.cell]
    code = coded(cell, bound.value)
    if bound.relation is Relation.OTHER_THAN:
        return opposite(equal(unknown, code))
    if cell.is_truth and bound.relation is Relation.AT_LEAST:
        return unknown if bound.value else YES
    if cell.is_truth:
        return YES if bound.value else opposite(unknown)
    return z3.UGE(unknown, code) if bound.relation is Relation.AT_LEAST else z3.ULE(unknown, code)


def cube_of(loop: LoopFormula, key: Key) -> Cube:
    """The cube of one state; bounds that every value satisfies are left out."""
    found: list[Bound] = []
    for number, (cell, value) in enumerate(zip(loop.cells, key, strict=True)):
        if number in loop.named:
            others = (other for other in range(cell.low, cell.high + 1) if other != value)
            found += (Bound(number, Relation.OTHER_THAN, other) for other in others)
            continue
        if value > cell.low:
            found.append(Bound(number, Relation.AT_LEAST, value))
        if value < cell.high:
            found.append(Bound(number, Relation.AT_MOST, value))
    return tuple(found)


class BoundSolver:
    """A z3 solver that answers under bounds and reports which of them an answer needed."""

    def __init__(self, loop: LoopFormula) -> None:
        self.loop = loop
        self.solver = fresh_solver()
        self._names: dict[tuple[Bound, bool], Any] = {}
        self._bounds: dict[str, Bound] = {}
        self.spoiled = False  # a query was ended, and the solver with it
        self._effort = Effort()

    def name(self, bound: Bound, later: bool) -> Any:
        """A Boolean that implies the bound, now or after the step."""
        found = self._names.get((bound, later))
        if found is None:
            found = z3.Bool(f"{bound.cell} {bound.relation.value} {bound.value}{' later' * later}")
            self.solver.add(implies(found, _once(self.loop, bound, later)))
            self._names[bound, later] = found
            self._bounds[found.decl().name()] = bound
        return found

    def give(self, effort: Effort) -> None:
        """Sets when to give up."""
        self._effort = effort

    def check(self, assumptions: Iterable[Any]) -> bool:
        """Raises: OutOfTime."""
        self._effort.look()
        self.spoiled = True
        found = answered(self.solver, self._effort, *assumptions)
        self.spoiled = False
        return found

    def core(self) -> set[Bound]:
        """The bounds that the last 'no' needed."""
        names = (item.decl().name() for item in self.solver.unsat_core())
        return {self._bounds[name] for name in names if name in self._bounds}


Answers = tuple[tuple[str, int], ...]
"""Values of a step's unknown choices, by name."""


class Lifter:
    """Finds all the states that some answers lead to the same place, given one of them."""

    def __init__(self, loop: LoopFormula) -> None:
        self.loop = loop
        self.solver = BoundSolver(loop)
        self.solver.solver.add(loop.moves, loop.domain)
        self._places = 0

    def place(self, target: Formula) -> Any:
        """Names a condition on a step; the name says that the step misses it."""
        self._places += 1
        misses = z3.Bool(f"misses {self._places}")
        self.solver.solver.add(z3.Implies(misses, z3.Not(z3.And(self.loop.allowed, target))))
        return misses

    def forget(self, misses: Any) -> None:
        """The place is not asked for any more."""
        self.solver.solver.add(z3.Not(misses))

    def lift(self, model: Any, misses: Any, *, thoroughly: bool = False) -> Cube:
        """Bounds of the model's state that suffice, under its answers, to get where it goes."""
        state = cube_of(self.loop, self.loop.key_of(model, self.loop.now))
        answers = [self._answer(name, value) for name, value in answers_of(self.loop, model)]
        met = self._meets(misses, answers, state)
        assert not met, "a step is a function of state and answers"
        core = self.solver.core()
        kept = tuple(item for item in state if item in core)
        for bound in kept if thoroughly else ():
            fewer = tuple(item for item in kept if item != bound)
            if bound in kept and not self._meets(misses, answers, fewer):
                core = self.solver.core()
                kept = tuple(item for item in fewer if item in core)
        return kept

    def _meets(self, misses: Any, answers: list[Any], cube: Cube) -> bool:
        return self.solver.check([misses, *answers, *(self.solver.name(item, False) for item in cube)])

    def _answer(self, name: str, value: int) -> Any:
        unknown = self.loop.unknowns[name]
        if z3.is_bool(unknown):
            return unknown if value else z3.Not(unknown)
        answer = z3.Bool(f"{name} is {value}")
        self.solver.solver.add(z3.Implies(answer, unknown == value))
        return answer


def answers_of(loop: LoopFormula, model: Any) -> Answers:
    """Value of every unknown choice of a step in a model, asked or not."""
    found: list[tuple[str, int]] = []
    for name, unknown in loop.unknowns.items():
        value = model.eval(unknown, model_completion=True)
        found.append((name, int(is_yes(value)) if z3.is_bool(unknown) else value.as_signed_long()))
    return tuple(found)


def outside_all(loop: LoopFormula, cubes: Iterable[Cube], unknowns: Sequence[Any] | None = None) -> Formula:
    """That a state lies in none of the cubes."""
    return opposite(any_of(within(loop, cube, unknowns) for cube in cubes))
