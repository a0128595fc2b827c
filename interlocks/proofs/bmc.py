"""Looks for a way of so many ticks in z3, tick after tick written out, every choice left to the solver.

Where a requirement breaks this is quicker than a proof that fails; where it does not, it says
nothing: that there is no way of thirty ticks does not mean that there is none of thirty-one.
How many ticks to write out may come from the explorer, the way itself never does.

Source: A. Biere, A. Cimatti, E. Clarke, Y. Zhu, Symbolic model checking without BDDs, TACAS 1999.
"""

from __future__ import annotations

from typing import Any

import z3

from stillgate.controller.effort import Effort
from stillgate.controller.errors import ProgramFault
from stillgate.controller.machine_file.field_types import Ticks

from .cubes import answered, fresh_solver
from .formulas import Formula
from .ic3 import SymbolicRun
from .transition_system import LoopFormula


def way_within(
    formula: LoopFormula, condition: Formula, ticks: Ticks, effort: Effort | None = None
) -> SymbolicRun | None:
    """A way from a start to a step with the condition, of at most so many ticks; None if there is none.

    Raises:
        OutOfTime: if the effort is over.
    """
    given = effort or Effort()
    solver = fresh_solver()
    solver.add(z3.substitute(formula.begin, *zip(formula.now, formula.frame(0), strict=True)))
    step, wanted = z3.simplify(formula.step), z3.simplify(condition)
    happens: list[Formula] = []
    for number in range(ticks):
        given.look()
        happens.append(formula.at(wanted, number))
        solver.add(formula.at(step, number))
    solver.add(z3.Or(*happens))
    if not answered(solver, given):
        return None
    model = solver.model()
    met = (n for n, item in enumerate(happens) if z3.is_true(model.eval(item, model_completion=True)))
    return way_in(formula, model, next(met) + 1, given)


def way_in(formula: LoopFormula, model: Any, ticks: Ticks, effort: Effort) -> SymbolicRun:
    """The states and the answers of the first ticks of a model of an unrolled loop.

    Raises:
        OutOfTime: if the effort is over.
        ProgramFault: if one of them is no step.
    """
    keys = [formula.key_of(model, formula.frame(number)) for number in range(ticks + 1)]
    start = fresh_solver()
    start.add(formula.begin, formula.is_state(keys[0]))
    step = fresh_solver()  # the same ticks one by one, to read off the answers
    step.add(formula.step)
    picks: list[list[int]] = []
    for number in range(ticks):
        step.push()
        step.add(formula.is_state(keys[number]), formula.answers(model, number))
        if not answered(step, effort):
            raise ProgramFault(f"tick {number} of an unrolled way is no step")
        picks.append(formula.step_picks(step.model()))
        keys[number + 1] = formula.key_of(step.model(), formula.then)
        step.pop()
    if not answered(start, effort):
        raise ProgramFault("an unrolled way begins in no start state")
    return SymbolicRun(formula.begin_picks(start.model()), picks, keys)
