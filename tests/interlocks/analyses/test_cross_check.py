"""z3 and the explorer say the same; what z3 says is replayed or re-checked; time-outs are no agreement."""

from __future__ import annotations

import itertools
import json
import random
import threading
from contextlib import nullcontext
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import z3
from hypothesis import given
from hypothesis import strategies as st

from agreement import agree
from closed_gate import GATE, quick
from engine import checked
from evidence_build import built_quickly
from plants_strategy import MONITORED, closed_machines
from small_machines import as_machine, peterson, peterson_wrong_order, semaphore
from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.interlocks.analyses.cross_check import CrossCheckRow, cross_checked
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.proofs.cubes import Bound, Cube, Relation, contains, cube_of, outside_all, within
from stillgate.interlocks.proofs.ic3 import Proof, Prover
from stillgate.interlocks.proofs.inductive_check import carried_over, faults_of_invariant, inductive_part
from stillgate.interlocks.proofs.transition_system import loop_formula
from stillgate.interlocks.results.verdict import Word

MACHINES = Path(__file__).parents[3] / "machines"

GATE_DOCUMENT = read_machine_text(GATE, "gate.yaml")


def gate_formula(faults: int = 0):  # type: ignore[no-untyped-def]
    return loop_formula(GATE_DOCUMENT.machine, tick=100, faults=faults)


@quick(5)
@given(machine=closed_machines(patterns=MONITORED, parts=1))
def test_explorer_and_z3_agree_on_random_machines(machine: Machine) -> None:
    agree(machine)


@pytest.mark.night
@quick(600)
@given(machine=closed_machines(patterns=MONITORED, parts=2))
def test_explorer_and_z3_agree_on_many_random_machines(machine: Machine) -> None:
    agree(machine)


@pytest.mark.parametrize(
    ("made", "breaks"),
    [(semaphore, False), (peterson, False), (peterson_wrong_order, True)],
    ids=["semaphore", "peterson", "peterson with its two writes exchanged"],
)
def test_published_algorithms_keep_or_lose_exclusion(made: Any, breaks: bool) -> None:
    """G. L. Peterson, Myths about the mutual exclusion problem, 1981; from memory: the exchange breaks it."""
    assert agree(as_machine(made())) == {"exclusive": breaks}


BROKEN = sorted((MACHINES / "broken").glob("*.yaml"))
QUICK = [path for path in BROKEN if path.stem.startswith(("press", "saw"))]


def _refuted_by_both(path: Path) -> None:
    """The exploration may say how long a way is; the way is z3's own, and every choice is left to it."""
    head = path.read_text(encoding="utf-8").splitlines()[0]
    name = head.removeprefix("# broken:").partition("|")[0].strip()
    document = read_machine(path)
    for faults in (0, 1):
        with built_quickly() if path in QUICK else nullcontext():
            explored = check(document, faults=faults)
        if any(item.name == name and item.verdict is Word.BROKEN for item in explored.requirements):
            break
    result = cross_checked(
        document, faults=faults, effort=Effort().within(300), explored=explored, only=frozenset({name})
    )
    (found,) = [item for item in result.opinions if item.faults == faults]
    assert (found.verdict, found.agrees) == (Word.BROKEN, True)
    assert found.story is not None
    assert found.depth == found.story.ticks == found.explored_story.ticks  # type: ignore[union-attr]


@pytest.mark.parametrize("path", QUICK, ids=lambda path: path.stem)
def test_a_planted_mistake_is_refuted_by_both_and_its_way_replayed(path: Path) -> None:
    _refuted_by_both(path)


@pytest.mark.night
@pytest.mark.parametrize("path", BROKEN, ids=lambda path: path.stem)
def test_every_planted_mistake_is_refuted_by_both(path: Path) -> None:
    _refuted_by_both(path)


def test_a_planted_mistake_is_refuted_without_a_hint_of_the_exploration() -> None:
    document = read_machine(MACHINES / "broken" / "press_plain_and.yaml")
    only = frozenset({"release_before_next_stroke"})
    (found,) = cross_checked(document, faults=0, effort=Effort().within(300), only=only).opinions
    assert found.verdict is Word.BROKEN
    assert found.counts
    assert found.explored is None


def _shipped(path: Path, faults: int | None, limit: float) -> None:
    document = read_machine(path)
    result = cross_checked(
        document, faults=faults, effort=Effort().within(limit), explored=check(document, faults=faults)
    )
    assert result.disagreements == ()
    assert [item.name for item in result.undecided] == []
    assert all(item.agrees for item in result.opinions)


@pytest.mark.night
@pytest.mark.parametrize("path", sorted(MACHINES.glob("*.yaml")), ids=lambda path: path.stem)
def test_z3_agrees_on_every_requirement_of_every_shipped_machine_with_one_fault_too(path: Path) -> None:
    _shipped(path, 1, 3000)


# -- invariants ----------------------------------------------------------------------------------


def gate_invariant() -> Any:
    formula = gate_formula()
    known: list[Any] = []
    for condition in (formula.outside, *formula.broken.values()):
        answer = Prover(formula, condition, known).run()
        if isinstance(answer, Proof):
            known += answer.invariant
    return formula, known


def test_an_invariant_that_lacks_a_clause_or_says_too_much_is_told_where() -> None:
    formula, known = gate_invariant()
    holds = {n: c for n, c in formula.broken.items() if isinstance(Prover(formula, c, known).run(), Proof)}
    assert faults_of_invariant(formula, known, holds) == []
    start = next(iter(_states(formula, formula.begin)))
    wrong = faults_of_invariant(formula, [*known, cube_of(formula, start)], holds)
    assert any(item.text == "a start state is excluded" and item.state == start for item in wrong)
    needed = [
        number
        for number in range(len(known))
        if faults_of_invariant(formula, known[:number] + known[number + 1 :], holds)
    ]
    assert needed, "no clause of the invariant is needed"


def _states(formula: Any, condition: Any) -> Any:
    solver = z3.SolverFor("QF_FD")
    solver.add(formula.domain, condition)
    while solver.check() == z3.sat:
        key = formula.key_of(solver.model(), formula.now)
        yield key
        solver.add(z3.Not(formula.is_state(key)))


def test_what_is_kept_of_candidates_is_inductive_and_keeps_what_was() -> None:
    formula, known = gate_invariant()
    chance = random.Random(1)
    junk = [cube_of(formula, key) for key in itertools.islice(_states(formula, z3.BoolVal(True)), 20)]
    junk += [tuple(b for b in cube if chance.random() < 0.3) for cube in junk]
    kept = inductive_part(formula, [*known, *junk])
    assert set(known) <= set(kept)
    assert faults_of_invariant(formula, kept, {}) == []


def test_an_invariant_without_faults_holds_of_situations_before_a_fault() -> None:
    formula, known = gate_invariant()
    with_fault = gate_formula(1)
    candidates = carried_over(known, formula, with_fault)
    assert len(candidates) == 1 + 2 * len(known)
    kept = inductive_part(with_fault, candidates)
    assert {candidates[0], *candidates[2::2]} <= set(kept)


def test_a_cube_of_a_state_holds_that_state_only() -> None:
    formula = gate_formula()
    for key in itertools.islice(_states(formula, z3.BoolVal(True)), 5):
        assert list(_states(formula, within(formula, cube_of(formula, key)))) == [key]
    assert z3.is_true(z3.simplify(outside_all(formula, [])))
    assert Bound(0, Relation.AT_LEAST, 1) != Bound(0, Relation.AT_MOST, 1)


one_formula = cache(gate_formula)
"""Made once for all examples: a formula is not changed by what is asked of it."""


@quick(50)
@given(data=st.data())
def test_a_state_lies_in_a_cube_by_numbers_as_by_formulas(data: st.DataObject) -> None:
    formula = one_formula(1)
    key = tuple(data.draw(st.integers(cell.low, cell.high), cell.name) for cell in formula.cells)
    places = st.integers(0, len(key) - 1)
    cube: Cube = tuple(
        Bound(place, relation, data.draw(st.integers(formula.cells[place].low, formula.cells[place].high)))
        for place, relation in data.draw(st.lists(st.tuples(places, st.sampled_from(Relation)), max_size=3))
        if relation is Relation.OTHER_THAN or place not in formula.named
    )
    solver = z3.SolverFor("QF_FD")
    solver.add(formula.is_state(key), within(formula, cube))
    assert contains(cube, key) == (solver.check() == z3.sat)


class AfterLooks(threading.Event):
    """A stop flag that is found set after so many looks at it."""

    def __init__(self, looks: int) -> None:
        super().__init__()
        self.looks = looks

    def is_set(self) -> bool:
        self.looks -= 1
        return self.looks < 0


def test_a_proof_that_ran_out_of_time_goes_on_where_it_was() -> None:
    """Stopped after ever more queries."""
    formula, stopped = gate_formula(1), 0
    for condition in (formula.outside, *formula.broken.values()):
        at_once = Prover(formula, condition).run()
        prover, stops, answer = Prover(formula, condition), 0, None
        while answer is None:
            try:
                answer = prover.run(Effort(stop=AfterLooks(10 * 2**stops)))
            except OutOfTime:
                stops += 1
        assert isinstance(answer, Proof) == isinstance(at_once, Proof)
        if isinstance(answer, Proof):
            assert faults_of_invariant(formula, answer.invariant, {"it": condition}) == []
        stopped += stops
    assert stopped > 3


# -- verdicts ------------------------------------------------------------------------------------


def test_a_time_out_is_undecided_and_agrees_with_nothing() -> None:
    result = cross_checked(GATE_DOCUMENT, faults=1, effort=Effort().within(0.0))
    assert {item.verdict for item in result.opinions} == {Word.UNDECIDED}
    assert {item.agrees for item in result.opinions} == {None}
    assert all(item.reason for item in result.opinions)
    with pytest.raises(OutOfTime):
        Prover(gate_formula(), gate_formula().outside).run(Effort().within(0))


def test_a_contradiction_is_told() -> None:
    opinion = CrossCheckRow("r", "never", 0, "m", Word.HOLDS, 1, 0.0, explored=Word.BROKEN)
    assert opinion.agrees is False
    assert replace(opinion, explored=Word.HOLDS).agrees is True
    assert replace(opinion, explored=None).agrees is None
    assert replace(opinion, verdict=Word.UNDECIDED).agrees is None


def test_the_gate_is_judged_as_the_check_judges_it() -> None:
    text = GATE + "  can_open: {reach: gate.waiting}\n  can_rest: {from_anywhere: gate.resting}\n"
    document = read_machine_text(text, "gate.yaml")
    explored = checked(text, tick=100, faults=1)
    result = cross_checked(document, tick=100, faults=1, effort=Effort().within(600), explored=explored)
    assert result.undecided == ()
    assert {item.agrees for item in result.opinions} == {True}
    assert len(result.opinions) == 4 * 2 + 2
    assert all(count > 0 for count in result.clauses)
    json.dumps([item.name for item in result.opinions])
