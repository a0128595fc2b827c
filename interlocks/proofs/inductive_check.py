"""Checks that an invariant is one, and keeps of many candidates those that are.

An invariant is a set of excluded cubes. It is *inductive* if no start state lies in one of
them and no step leads from outside all of them into one; then no reachable state lies in one.
It *proves* a condition never to happen if no step from outside all of them makes it true.

``faults_of_invariant`` says what is wrong with an invariant by three queries to a fresh solver:
it neither knows nor trusts how the invariant was found.

``inductive_part`` is the largest subset of candidates that is inductive: candidates that a
step leads into are dropped until none is (C. Flanagan, K. R. M. Leino, Houdini, FME 2001).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import z3

from stillgate.controller.effort import Effort

from .cubes import Bound, Cube, Relation, answered, contains, fresh_solver, outside_all, within
from .formulas import Formula, any_of, implies, opposite
from .transition_system import Key, LoopFormula

Family = tuple[Cube, ...]
"""Cubes that make sense together only."""


@dataclass(frozen=True, slots=True)
class InvariantFault:
    """What is wrong with an invariant: in words, with a state that shows it."""

    text: str
    state: Key


def faults_of_invariant(
    loop: LoopFormula,
    cubes: Sequence[Cube],
    never: Mapping[str, Formula],
    *,
    effort: Effort | None = None,
) -> list[InvariantFault]:
    """What is wrong with an invariant that is said to prove that conditions never happen.

    Args:
        never: conditions on a step, by name. That no value leaves its cell's range is always asked.

    Raises:
        OutOfTime: if the effort is over; nothing is known then.
    """
    given = effort or Effort()
    found: list[InvariantFault] = []
    inside = opposite(outside_all(loop, cubes))
    _add_if_possible(loop, found, given, "a start state is excluded", [loop.begin, inside])
    rests = [loop.domain, outside_all(loop, cubes), loop.step]
    later = opposite(outside_all(loop, cubes, loop.then))
    _add_if_possible(loop, found, given, "a step leads to an excluded state", [*rests, later])
    asked = {"a value leaves its range": loop.outside}
    asked |= {f"{name} breaks": condition for name, condition in never.items()}
    for text, condition in asked.items():
        _add_if_possible(loop, found, given, f"{text} in a step", [*rests, condition])
    return found


def _add_if_possible(
    loop: LoopFormula, found: list[InvariantFault], effort: Effort, text: str, formulas: list[Formula]
) -> None:
    solver = fresh_solver()
    solver.add(*formulas)
    if answered(solver, effort):
        found.append(InvariantFault(text, loop.key_of(solver.model(), loop.now)))


def inductive_part(
    loop: LoopFormula, cubes: Iterable[Cube], *, effort: Effort | None = None
) -> tuple[Cube, ...]:
    """The largest inductive subset of candidates.

    Raises:
        OutOfTime: if the effort is over.
    """
    kept = inductive_families(loop, ((cube,) for cube in cubes), effort=effort)
    return tuple(cube for (cube,) in kept)


def inductive_families(
    loop: LoopFormula,
    families: Iterable[Family],
    known: Iterable[Cube] = (),
    *,
    effort: Effort | None = None,
) -> tuple[Family, ...]:
    """The largest inductive subset of candidates that are cubes to be kept or given up together.

    Args:
        known: cubes that are known never to be entered.

    Raises:
        OutOfTime: if the effort is over.
    """
    given = effort or Effort()
    starts = fresh_solver()
    starts.add(loop.begin)
    kept = _without(loop, list(dict.fromkeys(families)), starts, loop.now, given)
    steps = fresh_solver()
    steps.add(loop.domain, loop.step, outside_all(loop, known))
    return tuple(_without(loop, kept, steps, loop.then, given, before=True))


def _without(
    loop: LoopFormula,
    families: list[Family],
    solver: Any,
    unknowns: Sequence[Any],
    effort: Effort,
    *,
    before: bool = False,
) -> list[Family]:
    """Families that no model of the solver lies in; with ``before``, no model that was outside those kept.

    Each has two names: that the state before is outside it, and that the unknowns are in it.
    What is given up is no longer assumed, so every model counts and none is met twice.
    """
    outside = [z3.FreshBool("outside") for _ in families]
    inside = [z3.FreshBool("inside") for _ in families]
    for family, out, in_ in zip(families, outside, inside, strict=True):
        effort.look()
        solver.add(implies(in_, any_of(within(loop, cube, unknowns) for cube in family)))
        if before:
            solver.add(implies(out, outside_all(loop, family)))
    kept = list(range(len(families)))
    while kept:
        entered = z3.FreshBool("entered")
        solver.add(implies(entered, any_of(inside[number] for number in kept)))
        if not answered(solver, effort, entered, *(outside[number] for number in kept)):
            break
        key = loop.key_of(solver.model(), unknowns)
        solver.add(z3.Not(entered))
        kept = [n for n in kept if not any(contains(cube, key) for cube in families[n])]
    return [families[number] for number in kept]


def carried_over(cubes: Iterable[Cube], of: LoopFormula, to: LoopFormula) -> list[Cube]:
    """Cubes of the loop without faults as candidates of the same loop with one.

    Each comes twice: as it stands, and for situations without a fault only. The latter is
    inductive whatever the faults do, together with the first: without a fault there is power.
    What speaks of the memory of a requirement that is judged without faults only stays behind.
    """
    fault = to.position[to.loop.fault]
    names = {cell.name: number for number, cell in enumerate(to.cells)}
    healthy = tuple(
        Bound(fault, Relation.OTHER_THAN, number)
        for number in range(to.loop.fault.low, to.loop.fault.high + 1)
        if number
    )
    found: list[Cube] = [(Bound(to.position[to.loop.dark], Relation.AT_LEAST, 1), *healthy)]
    for cube in cubes:
        if any(of.cells[bound.cell].name not in names for bound in cube):
            continue
        moved = tuple(Bound(names[of.cells[b.cell].name], b.relation, b.value) for b in cube)
        found += [moved, (*moved, *healthy)]
    return found
