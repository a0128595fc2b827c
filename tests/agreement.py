"""Explorer and z3 judge the same machine; ``agree`` fails where they contradict each other."""

from __future__ import annotations

from engine import broken_c
from stillgate.controller.effort import Effort
from stillgate.controller.machine_file.machine import FromAnywhere, Machine, Reach
from stillgate.interlocks.loop.closed_loop import close_loop
from stillgate.interlocks.loop.interpreter import LoopRunner
from stillgate.interlocks.proofs.cubes import OutOfTime
from stillgate.interlocks.proofs.ic3 import Proof, Prover
from stillgate.interlocks.proofs.inductive_check import faults_of_invariant
from stillgate.interlocks.proofs.transition_system import LoopFormula, loop_formula
from stillgate.interlocks.requirements.monitors import fault_budget


def proved(machine: Machine, *, tick: int, faults: int, effort: Effort | None = None) -> dict[str, bool]:
    """By z3, whether each monitored requirement breaks; ways are replayed, proofs checked again."""
    formula = loop_formula(machine, tick=tick, faults=faults)
    known = []
    found: dict[str, bool] = {}
    runner: LoopRunner | None = None
    for name, condition in {"": formula.outside, **_monitored(machine, formula)}.items():
        try:
            answer = Prover(formula, condition, known).run(effort)
        except OutOfTime:
            continue
        found[name] = not isinstance(answer, Proof)
        if isinstance(answer, Proof):
            known += answer.invariant
            continue
        runner = runner or LoopRunner(formula.loop)
        picks = iter(answer.start)
        runner.begin(lambda _, __, picks=picks: next(picks))  # type: ignore[misc]
        for step in answer.steps:
            picks = iter(step)
            tick_ = runner.step(lambda _, __, picks=picks: next(picks), settle=False)  # type: ignore[misc]
        assert name in {formula.loop.requirement_names[index] for index in tick_.broken}, name
    assert not found.pop("", False), "a value leaves its range"
    holds = {name: formula.broken[name] for name, breaks in found.items() if not breaks}
    assert faults_of_invariant(formula, known, holds) == []
    return found


def _monitored(machine: Machine, formula: LoopFormula) -> dict[str, object]:
    return {
        name: formula.broken[name]
        for name in formula.loop.monitors.requirements
        if not isinstance(machine.requirements[name], Reach | FromAnywhere)
    }


def agree(
    machine: Machine, *, tick: int | None = None, faults: int | None = None, effort: Effort | None = None
) -> dict[str, bool]:
    """Asserts that explorer and z3 say the same of every monitored requirement; returns what broke."""
    period = tick or machine.check.tick or machine.scan
    budget = fault_budget(machine, faults)
    by_proof = proved(machine, tick=period, faults=budget, effort=effort)
    explored = broken_c(close_loop(machine, tick=period, faults=budget, possibility=False))
    assert by_proof == {name: name in explored for name in by_proof}
    return by_proof
