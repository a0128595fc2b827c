"""Proofs by groups of faults join to an invariant of the whole loop; a break is found in its group."""

from __future__ import annotations

import pytest

from closed_gate import GATE
from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.analyses.cross_check import cross_checked
from stillgate.interlocks.proofs import fault_partition as by_fault
from stillgate.interlocks.proofs import prover_run as proofs
from stillgate.interlocks.proofs.cubes import Cube
from stillgate.interlocks.proofs.fault_partition import ByFault
from stillgate.interlocks.proofs.ic3 import Proof, Prover, SymbolicRun
from stillgate.interlocks.proofs.inductive_check import faults_of_invariant
from stillgate.interlocks.proofs.transition_system import LoopFormula, loop_formula
from stillgate.interlocks.results.verdict import Word

TEXT = GATE + "  one_place: {never: asked.motor_shut and gate.resting}\n"
DOCUMENT = read_machine_text(TEXT, "gate.yaml")


def gate(faults: int) -> LoopFormula:
    return loop_formula(DOCUMENT.machine, tick=100, faults=faults)


def asked(groups: int) -> ByFault:
    """Questions about the gate with a fault, put to so many groups of faults."""
    healthy, known = gate(0), list[Cube]()
    for condition in (healthy.outside, healthy.broken["one_place"]):
        answer = Prover(healthy, condition, known).run()
        assert isinstance(answer, Proof)
        known += answer.invariant
    whole = gate(1)
    found = ByFault(whole, (known, healthy), [])
    numbers = [item.number for item in whole.loop.faults]
    found.groups = [tuple(numbers[at::groups]) for at in range(groups)]
    return found


def test_what_groups_of_faults_prove_is_an_invariant_of_the_whole_loop() -> None:
    found = asked(3)
    cubes: list[Cube] = []
    for question in (lambda loop: loop.outside, lambda loop: loop.broken["one_place"]):
        answer = found.prove(question)
        assert isinstance(answer, Proof)
        cubes += answer.invariant
    whole = found.whole
    assert faults_of_invariant(whole, cubes, {"one_place": whole.broken["one_place"]}) == []
    assert faults_of_invariant(whole, [], {"one_place": whole.broken["one_place"]}), "it needs no invariant"


def test_what_breaks_with_one_fault_is_a_way_of_the_whole_loop() -> None:
    answer = asked(2).prove(lambda loop: loop.broken["one_direction"])
    whole = Prover(gate(1), gate(1).broken["one_direction"]).run()
    assert isinstance(answer, SymbolicRun) == isinstance(whole, SymbolicRun)


def test_a_group_that_takes_too_long_is_halved_down_to_single_faults(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(by_fault, "PATIENCE", 0.0)
    found = asked(1)
    found.groups = []
    assert isinstance(found.prove(lambda loop: loop.outside), Proof)
    assert sorted(found.groups) == [(item.number,) for item in found.whole.loop.faults]


def test_time_runs_out() -> None:
    found = asked(1)
    with pytest.raises(OutOfTime):
        found.prove(lambda loop: loop.outside, Effort().within(0))


def test_the_second_opinion_by_faults_is_that_of_all_faults_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(proofs, "ROUNDS_AT_ONCE", 0)
    result = cross_checked(DOCUMENT, tick=100, faults=1, only=frozenset({"one_place"}))
    assert {(item.faults, item.verdict) for item in result.opinions} == {
        (0, Word.NOT_BROKEN),
        (1, Word.NOT_BROKEN),
    }
