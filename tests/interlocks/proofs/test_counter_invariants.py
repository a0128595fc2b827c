"""What is guessed of counters is inductive, and spares a proof the count of every single tick."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from closed_gate import quick
from plants_strategy import closed_machines
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine
from stillgate.interlocks.proofs.counter_invariants import counters_in_step
from stillgate.interlocks.proofs.cubes import Bound, Cube, Relation
from stillgate.interlocks.proofs.ic3 import Proof, Prover
from stillgate.interlocks.proofs.inductive_check import faults_of_invariant, inductive_families
from stillgate.interlocks.proofs.transition_system import LoopFormula, loop_formula

PRESS = read_machine(Path(__file__).parents[3] / "machines" / "press_two_hand.yaml").machine


def press(faults: int) -> LoopFormula:
    return loop_formula(PRESS, tick=10, faults=faults)


@quick(5)
@given(machine=closed_machines(parts=1), faults=st.integers(0, 1))
def test_what_is_kept_is_an_invariant(machine: Machine, faults: int) -> None:
    formula = loop_formula(machine, tick=machine.scan, faults=faults)
    assert _wrong(formula, counters_in_step(formula)) == []


def _wrong(formula: LoopFormula, cubes: Iterable[Cube], **never: Any) -> list[str]:
    """What is wrong with an invariant, but that it proves no ranges: that is not what it is for."""
    found = faults_of_invariant(formula, [*cubes], never)
    return [item.text for item in found if "range" not in item.text]


@pytest.mark.parametrize("faults", [0, 1], ids=["no fault", "one fault"])
def test_the_half_second_of_two_hands_is_proved_without_counting_its_ticks(faults: int) -> None:
    """ISO 13851: 510 ms are 51 ticks; a proof that finds them one by one needs a frame for each."""
    formula = press(faults)
    known = counters_in_step(formula)
    proof = Prover(formula, formula.broken["hands_come_together"], known).run()
    assert isinstance(proof, Proof)
    assert proof.frames <= 5
    assert _wrong(formula, [*known, *proof.invariant], it=formula.broken["hands_come_together"]) == []


def test_a_counter_is_kept_in_step_by_a_whole_staircase_of_cubes() -> None:
    formula = press(0)
    names = [cell.name for cell in formula.cells]
    behind, ahead = names.index("hands.elapsed"), names.index("watched0.run")
    stairs = sorted(
        (cube[0].value, cube[1].value)
        for cube in counters_in_step(formula)
        if [bound.cell for bound in cube] == [behind, ahead]
    )
    assert stairs[0][0] == 0
    assert all(second == (low + 1, high + 1) for (low, high), second in pairwise(stairs))


def test_without_power_no_state_is_active_and_power_was_taken_by_a_fault() -> None:
    formula = press(1)
    dark = formula.position[formula.loop.dark]
    said = {cube for cube in counters_in_step(formula) if cube[0] == Bound(dark, Relation.AT_LEAST, 1)}
    active = {formula.position[item.active] for item in formula.loop.controller.sequences}
    assert active <= {bound.cell for cube in said for bound in cube[1:]}
    assert formula.position[formula.loop.fault] in {bound.cell for cube in said for bound in cube[1:]}


def test_a_family_is_given_up_as_a_whole_for_one_cube_that_can_be_entered() -> None:
    formula = press(0)
    family = counters_in_step(formula)
    every_state = (Bound(0, Relation.AT_LEAST, formula.cells[0].low),)
    assert inductive_families(formula, [family]) == (family,)
    assert inductive_families(formula, [(*family, every_state)]) == ()
