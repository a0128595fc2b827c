"""Which weakenings change anything: held against searches of the weakened machines themselves."""

from __future__ import annotations

import pytest

from evidence_build import built_quickly
from stillgate.controller.effort import Effort
from stillgate.controller.expressions.expression import Operator
from stillgate.controller.program.program import FALSE, TRUE, Complement, Observation, Operation, Read
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.exploration.parametric_checker import ParametricChecker, allowance, with_allowances
from stillgate.interlocks.loop.closed_loop import close_loop
from stillgate.interlocks.mutation import mutant_checkers as weakened_boards
from stillgate.interlocks.mutation.mutant_equivalence import probing, told
from stillgate.interlocks.mutation.mutants import switched_controller, weakenings_of
from stillgate.interlocks.mutation.mutation_run import strength
from stillgate.interlocks.results.weakenings import Weakening
from strength_machines import GUARDED

FAULTY = GUARDED.replace("    faults: 0\n", "")


def test_a_switch_that_is_told_leaves_no_trace_in_a_condition() -> None:
    on, off = Read("weak__1", Observation.LEVEL), Read("weak__2", Observation.LEVEL)
    button = Read("button", Observation.LEVEL)
    weakened = Operation(Operator.OR, on, Operation(Operator.AND, Complement(off), button))
    assert told(weakened, ()) == button
    assert told(weakened, ("weak__1",)) == TRUE
    assert told(weakened, ("weak__2",)) == FALSE


def test_what_is_not_marked_reaches_the_same_situations_by_the_same_steps() -> None:
    """Without faults and under each one: every weakening in turn, searched as a machine of its own."""
    document = read_machine_text(FAULTY)
    found = weakenings_of(document)
    own = switched_controller(found.switched, 100)
    probe, marks = probing(own)
    plain = with_allowances(
        close_loop(document.machine, tick=100, faults=1, controller=own, possibility=False)
    )
    asked = with_allowances(
        close_loop(document.machine, tick=100, faults=1, controller=probe, possibility=False)
    )
    marked: set[tuple[str, int]] = set()
    unmarked: set[tuple[str, int]] = set()
    with (
        built_quickly(),
        ParametricChecker(plain, effort=Effort(threads=1)) as checker,
        ParametricChecker(asked, effort=Effort(threads=1)) as prober,
    ):
        for fault in (0, *(item.number for item in plain.faults)):
            allowed = (allowance(fault),) if fault else ()
            as_it_is, told_by = checker.ask(allowed).outcome, prober.ask(allowed, marks=True)
            assert as_it_is is not None
            assert told_by.outcome is not None
            assert told_by.outcome.sizes == as_it_is.sizes  # the probe itself changes nothing
            for switch, mark in marks.items():
                changed = checker.ask((*allowed, switch)).outcome
                assert changed is not None
                if told_by.marks[mark]:
                    marked.add((switch, fault))
                else:
                    unmarked.add((switch, fault))
                    assert changed.sizes == as_it_is.sizes, (switch, fault)
                    assert changed.transitions == as_it_is.transitions, (switch, fault)
    assert unmarked
    assert marked


@pytest.mark.night
@pytest.mark.parametrize("full", [False, True])
def test_knowing_effects_changes_no_judgement_but_undecided_ones(
    full: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    document = read_machine_text(FAULTY)
    with built_quickly():
        result = check(document)
        monkeypatch.setattr(weakened_boards, "_PROBE_FROM", 10_000)
        plainly = strength(document, result, full=full, effort=Effort(threads=2))
        monkeypatch.setattr(weakened_boards, "_PROBE_FROM", 0)
        knowing = strength(document, result, full=full, effort=Effort(threads=2))
    same = [_told(item) for item in knowing.weakenings]
    for before, after in zip([_told(item) for item in plainly.weakenings], same, strict=True):
        assert before == after or (before[0] is None and after[0] is False)
    assert any(item.equivalent for item in knowing.weakenings)


def _told(item: Weakening) -> tuple[bool | None, int, str]:
    return item.noticed, item.faults, item.text
