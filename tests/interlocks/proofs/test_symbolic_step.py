"""The z3 formulas of one step against the Python evaluator, choice for choice, on random machines."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
import z3
from hypothesis import given
from hypothesis import strategies as st

from closed_gate import GATE, gate, quick
from plants_strategy import closed_machines
from stillgate.controller.errors import UsageError
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.interlocks.loop.interpreter import LoopRunner
from stillgate.interlocks.proofs.transition_system import LoopFormula, formula_of_loop, loop_formula

SHIPPED = sorted((Path(__file__).parents[3] / "machines").glob("*.yaml"))


def _broken(formula: LoopFormula, model: z3.ModelRef) -> set[str]:
    return {
        name
        for name, condition in formula.broken.items()
        if z3.is_true(model.eval(condition, model_completion=True))
    }


def _names(formula: LoopFormula, indices: tuple[int, ...]) -> set[str]:
    return {formula.loop.requirement_names[index] for index in indices}


def replay_once(formula: LoopFormula, key: tuple[int, ...], model: z3.ModelRef) -> None:
    """The runner, given a model's answers, goes where the model goes and breaks what it breaks."""
    runner = LoopRunner(formula.loop)
    runner.load(key)
    answers = iter(formula.step_picks(model))
    tick = runner.step(lambda name, count: next(answers), settle=False)
    assert next(answers, None) is None, "the runner asked for fewer choices"
    assert runner.key() == formula.key_of(model, formula.then)
    assert _names(formula, tick.broken) == _broken(formula, model)
    goals = [z3.is_true(model.eval(goal, model_completion=True)) for goal in formula.goals.values()]
    assert goals == list(tick.goals)
    assert z3.is_false(model.eval(formula.outside, model_completion=True))


def walk_in_lockstep(formula: LoopFormula, seed: int, ticks: int) -> None:
    """Along a random run, each step is a model of the formula, and other models are steps."""
    chance = random.Random(seed)
    runner = LoopRunner(formula.loop)
    runner.begin(lambda name, count: chance.randrange(count))
    starts = z3.SolverFor("QF_FD")
    starts.add(formula.begin, formula.is_state(runner.key()))
    assert starts.check() == z3.sat
    solver = z3.SolverFor("QF_FD")
    solver.add(formula.domain, formula.step)
    for _ in range(ticks):
        key = runner.key()
        tick = runner.step(lambda name, count: chance.randrange(count), settle=False)
        broken = _names(formula, tick.broken)
        solver.push()
        solver.add(formula.is_state(key))
        assert solver.check() == z3.sat
        replay_once(formula, key, solver.model())
        solver.add(formula.afterwards(formula.is_state(runner.key())))
        solver.add(*(c if name in broken else z3.Not(c) for name, c in formula.broken.items()))
        assert solver.check() == z3.sat, f"the evaluator's step from {key} is none of the formula's"
        replay_once(formula, key, solver.model())
        solver.pop()


@quick(8)
@given(machine=closed_machines(parts=2), faults=st.integers(0, 1), seed=st.integers(0, 9999))
def test_formula_and_evaluator_make_the_same_steps(machine: Machine, faults: int, seed: int) -> None:
    formula = loop_formula(machine, tick=machine.check.tick or machine.scan, faults=faults)
    walk_in_lockstep(formula, seed, ticks=10)


@pytest.mark.night
@quick(1500)
@given(machine=closed_machines(parts=2), faults=st.integers(0, 1), seed=st.integers(0, 9999))
def test_formula_and_evaluator_make_the_same_steps_all_night(
    machine: Machine, faults: int, seed: int
) -> None:
    formula = loop_formula(machine, tick=machine.check.tick or machine.scan, faults=faults)
    walk_in_lockstep(formula, seed, ticks=30)


@pytest.mark.parametrize("faults", [0, 1])
@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_shipped_machines_make_the_same_steps(path: Path, faults: int) -> None:
    machine = read_machine(path).machine
    formula = loop_formula(machine, tick=machine.check.tick or machine.scan, faults=faults)
    walk_in_lockstep(formula, seed=3, ticks=3)


def test_every_start_of_the_formula_is_one_of_the_runner() -> None:
    formula = loop_formula(read_machine_text(GATE, "gate.yaml").machine, tick=100, faults=0)
    solver = z3.SolverFor("QF_FD")
    solver.add(formula.begin)
    found = set()
    while solver.check() == z3.sat:
        model = solver.model()
        key = formula.key_of(model, formula.now)
        answers = iter(formula.begin_picks(model))
        runner = LoopRunner(formula.loop)
        runner.begin(lambda name, count, answers=answers: next(answers))  # type: ignore[misc]
        assert runner.key() == key
        assert key not in found
        found.add(key)
        solver.add(z3.Not(formula.is_state(key)))
    assert len(found) > 1


def test_only_the_faults_that_are_asked_for_happen() -> None:
    machine = read_machine_text(GATE, "gate.yaml").machine
    formula = loop_formula(machine, tick=100, faults=1).with_only([2])
    solver = z3.SolverFor("QF_FD")
    fault = formula.cells.index(formula.loop.fault)
    solver.add(formula.begin, formula.step, formula.then[fault] != 0)
    assert solver.check() == z3.sat
    assert formula.key_of(solver.model(), formula.then)[fault] == 2


def test_a_loop_that_asks_its_inputs_on_demand_is_refused() -> None:
    with pytest.raises(UsageError, match="lazy=False"):
        formula_of_loop(gate(0))
