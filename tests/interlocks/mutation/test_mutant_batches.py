"""Weakenings asked in groups: what is said of each is what a search of its own says."""

from __future__ import annotations

from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evidence_build import built_quickly
from stillgate.controller.effort import Effort
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.exploration.explorer import SearchOutcome, Status
from stillgate.interlocks.exploration.parametric_checker import Answer, ParametricChecker, with_allowances
from stillgate.interlocks.loop.closed_loop import close_loop
from stillgate.interlocks.mutation import mutation_run as strength_module
from stillgate.interlocks.mutation.mutant_batches import Waiting, groups_of, unnoticed_among
from stillgate.interlocks.mutation.mutants import Candidate, switched_controller, weakenings_of
from stillgate.interlocks.mutation.mutation_run import strength
from stillgate.interlocks.results.weakenings import Weakening, WeakeningKind
from strength_machines import GUARDED

FAULTY = GUARDED.replace("    faults: 0\n", "").replace("    never: motor", "    never: asked.motor")
COMPLETE = SearchOutcome(Status.COMPLETE, 1, 1, 1, (1,), None, 0.0, 0, 1)


class FakeChecker:
    """A checker on which the given sets of open switches break something, and no others do."""

    def __init__(self, breaking: frozenset[frozenset[str]]) -> None:
        self.breaking = breaking
        self.searches = 0

    def ask(self, on: object, *, either: list[str], stop_at: object, effort: object) -> Answer:
        self.searches += 1
        for some in sorted(self.breaking, key=sorted):
            if some <= set(either):
                return Answer(0, 1, None, took=some)
        return Answer(None, 1, COMPLETE)


def waiting(count: int) -> list[Waiting]:
    item = Weakening(WeakeningKind.ATOM_TRUE, "main: a, exit 1 to b", "x", "x", 1, 1, None)
    return [Waiting(n, Candidate(item, f"weak__{n}", frozenset()), (n % 2,)) for n in range(count)]


SWITCHES = st.frozensets(st.sampled_from([f"weak__{n}" for n in range(12)]), min_size=1, max_size=3)


@given(st.frozensets(SWITCHES, max_size=5))
def test_whatever_breaks_together_each_is_answered_once_and_what_breaks_alone_is_never_ruled_out(
    breaking: frozenset[frozenset[str]],
) -> None:
    checker = FakeChecker(breaking)
    found = dict(unnoticed_among(waiting(12), checker, (), Effort()))  # type: ignore[arg-type]
    assert sorted(item.number for item in found) == list(range(12))
    alone = {next(iter(some)) for some in breaking if len(some) == 1}
    assert not any(ruled_out for item, ruled_out in found.items() if item.candidate.switch in alone)
    if not breaking:
        assert checker.searches == 1


def test_where_there_is_no_time_nothing_is_ruled_out() -> None:
    checker = FakeChecker(frozenset())
    found = list(unnoticed_among(waiting(3), checker, (), Effort().within(0)))  # type: ignore[arg-type]
    assert [ruled_out for _, ruled_out in found] == [False] * 3
    assert checker.searches == 0


def test_groups_keep_faults_together_and_layers_apart() -> None:
    found = groups_of(waiting(5), most=2)
    assert [[item.number for item in group] for group in found] == [[0, 2], [4, 1], [3]]


@pytest.mark.parametrize("full", [False, True])
def test_what_is_said_of_a_weakening_does_not_depend_on_its_group(
    monkeypatch: pytest.MonkeyPatch, full: bool
) -> None:
    """Groups of one are searches of their own, the plain method."""
    document = read_machine_text(FAULTY)
    with built_quickly():
        result = check(document)
        together = strength(document, result, full=full, effort=Effort(threads=2))
        monkeypatch.setattr(strength_module, "groups_of", partial(groups_of, most=1))
        alone = strength(document, result, full=full, effort=Effort(threads=2))
    assert together.weakenings == alone.weakenings
    assert {item.noticed for item in alone.weakenings} >= ({True, False} if full else {True, None})


def test_a_break_tells_which_open_switches_it_took() -> None:
    """Both contacts taken as true in both layers: the motor runs with the guard open, and not with fewer."""
    document = read_machine_text(GUARDED)
    found = weakenings_of(document)
    controller = switched_controller(found.switched, 100)
    loop = with_allowances(close_loop(document.machine, tick=100, faults=1, controller=controller))
    layers = [
        item.switch
        for item in found.candidates
        if item.weakening.kind in (WeakeningKind.INTERLOCK_REMOVED, WeakeningKind.OVERRIDE_REMOVED)
    ]
    event = loop.requirement_names.index("guard_stops")
    with built_quickly(), ParametricChecker(loop, effort=Effort(threads=1)) as checker:
        both = checker.ask((), either=layers, stop_at=(event,))
        assert (both.event, both.took) == (event, frozenset(layers))
        for one in layers:
            alone = checker.ask((), either=[one], stop_at=(event,))
            assert alone.event is None
            assert alone.complete
            assert alone.took == frozenset()
        assert checker.ask(layers, stop_at=(event,)).event == event
