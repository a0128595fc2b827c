"""What searches leave open is asked of z3 within a share of the time that is kept for it."""

from __future__ import annotations

import pytest

from stillgate.controller.effort import Effort
from stillgate.controller.reading.reader import MachineDocument, read_machine_text
from stillgate.interlocks.checking.checker import check, check_within
from stillgate.interlocks.checking.search_plan import By
from stillgate.interlocks.proofs import prover_share
from stillgate.interlocks.proofs.prover_run import Judged, ProofRun
from stillgate.interlocks.proofs.solver import INDUCTION, REPLAY
from stillgate.interlocks.results.verdict import CheckResult, Judgement, Word

pytest.importorskip("z3")

MANY = 48
"""Inputs that the operator may each change in any tick: no search comes to the end of one tick."""


def many_inputs(requirements: str) -> MachineDocument:
    names = [f"i{number}" for number in range(MANY)]
    odd = " xor ".join(names)
    lines = [
        "machine: many_inputs",
        "scan: 20 ms",
        "inputs:",
        *(f"  {name}: {{from: operator}}" for name in names),
        "outputs: {lamp: {}}",
        "sequences:",
        "  main:",
        "    start: dark",
        "    states:",
        f"      dark: {{exits: [{{when: {odd}, to: lit}}]}}",
        f"      lit: {{on: [lamp], exits: [{{when: not ({odd}), to: dark}}]}}",
        "requirements:",
        requirements,
    ]
    return read_machine_text("\n".join(lines) + "\n", "many_inputs.yaml")


def judged(result: CheckResult, name: str) -> Judgement:
    return next(item for item in result.requirements if item.name == name).judgements[0]


REQUIREMENTS = """\
  as_asked: {never: lamp xor main.lit}
  stays_dark: {never: lamp}
  is_lit: {reach: lamp}
  is_both: {reach: main.lit and main.dark}
"""
WORDS = {
    "as_asked": (Word.HOLDS, INDUCTION),
    "stays_dark": (Word.BROKEN, REPLAY),
    "is_lit": (Word.HOLDS, REPLAY),
    "is_both": (Word.BROKEN, INDUCTION),
}


def test_what_no_search_ends_a_proof_or_a_replayed_run_decides_and_the_verdict_says_so() -> None:
    result = check(many_inputs(REQUIREMENTS), time_limit=6, use_cache=False)
    assert not result.exploration[0].exhausted
    found = {item.name: (item.verdict, judged(result, item.name).method) for item in result.requirements}
    assert found == WORDS
    broken = judged(result, "stays_dark")
    assert broken.story is not None
    assert broken.depth == broken.story.ticks
    assert judged(result, "is_both").reason == "no reachable situation is like that"
    assert judged(result, "is_lit").story is None


def test_without_a_prover_the_same_is_undecided(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(prover_share, "has_prover", lambda: False)
    result = check(many_inputs(REQUIREMENTS), time_limit=2, use_cache=False)
    assert {item.verdict for item in result.requirements} == {Word.UNDECIDED}


def test_a_quarter_of_the_time_is_kept_for_proofs_where_there_is_a_prover(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    left = prover_share.time_for_searches(Effort().within(100)).left()
    assert left is not None
    assert left == pytest.approx(75, abs=1)
    assert prover_share.time_for_searches(Effort()).left() is None
    monkeypatch.setattr(prover_share, "has_prover", lambda: False)
    all_of_it = prover_share.time_for_searches(Effort().within(100)).left()
    assert all_of_it is not None
    assert all_of_it > 99


@pytest.mark.parametrize("how", [{"max_states": 5}, {"by": By.SITUATIONS}])
def test_who_chooses_the_search_is_told_what_it_says_by_itself(how: dict[str, object]) -> None:
    effort = Effort().within(2)
    if "max_states" in how:
        result = check(many_inputs(REQUIREMENTS), time_limit=2, max_states=5, use_cache=False)
    else:
        result = check_within(many_inputs(REQUIREMENTS), effort, by=By.SITUATIONS, use_cache=False)
    assert {judgement.method for item in result.requirements for judgement in item.judgements} == {""}
    assert Word.UNDECIDED in {item.verdict for item in result.requirements}


def test_what_z3_does_not_decide_stays_undecided_and_says_that_it_was_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def no_answer(run: ProofRun) -> dict[tuple[str, int], Judged]:
        return {
            (name, 0): Judged(INDUCTION, Word.UNDECIDED, reason="no proof found") for name in run.only or ()
        }

    monkeypatch.setattr(ProofRun, "judge", no_answer)
    result = check(many_inputs(REQUIREMENTS), time_limit=2, use_cache=False)
    assert {item.verdict for item in result.requirements} == {Word.UNDECIDED}
    assert all(
        judged(result, item.name).reason.endswith("; z3: no proof found") for item in result.requirements
    )
