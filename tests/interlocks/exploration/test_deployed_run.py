"""Runs stepped through the deployed controller, against the Python evaluator of the same statements."""

from __future__ import annotations

import functools
import random

import pytest

from evidence_build import built_quickly
from machines_strategy import machine_text
from plants_strategy import twenty_machines
from stillgate.controller.effort import Effort
from stillgate.controller.errors import ProgramFault
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.exploration.deployed_run import Happened, Picks, brief, happened_on
from stillgate.interlocks.exploration.parametric_checker import ParametricChecker
from stillgate.interlocks.loop.answers import as_offered
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop
from stillgate.interlocks.loop.interpreter import LoopRunner
from stillgate.interlocks.mutation.mutants import switched_controller, weakenings_of
from strength_machines import GUARDED


@functools.cache
def switched_loop(text: str) -> ClosedLoop:
    document = read_machine_text(text, "machine.yaml")
    controller = switched_controller(weakenings_of(document).switched, document.machine.scan)
    return close_loop(document.machine, tick=document.machine.scan, faults=1, controller=controller)


def stepped(loop: ClosedLoop, on: list[str], run: Picks) -> Happened:
    """What happens on a run, by the Python evaluator; what is not offered is 0."""
    runner = LoopRunner(loop, switches={name: int(name in on) for name in switches(loop)})
    breaks: dict[int, int] = {}
    goals: dict[int, int] = {}

    runner.begin(as_offered(run[0]))
    for number, picks in enumerate(run[1:], start=1):
        tick = runner.step(as_offered(picks))
        for event in tick.broken:
            breaks.setdefault(event, number)
        for goal, met in enumerate(tick.goals):
            if met:
                goals.setdefault(goal, number)
    return Happened(breaks, goals)


def switches(loop: ClosedLoop) -> list[str]:
    with built_quickly(), ParametricChecker(loop, effort=Effort(threads=1)) as checker:
        return list(checker.switches)


def drawn_run(seed: int, ticks: int = 40) -> Picks:
    """Picks of which some are not offered, too few here and too many there."""
    dice = random.Random(seed)
    return tuple(
        tuple(dice.choice((0, 0, 0, 1, 1, 2, 5)) for _ in range(dice.randrange(7))) for _ in range(ticks)
    )


MACHINES = (GUARDED, *(machine_text(text) for text in twenty_machines(0)[:4]))


@pytest.mark.parametrize("number", range(len(MACHINES)))
def test_a_run_of_another_machine_happens_in_the_deployed_controller_as_in_the_evaluator(number: int) -> None:
    loop = switched_loop(MACHINES[number])
    with built_quickly(), ParametricChecker(loop, effort=Effort(threads=1)) as checker:
        names = list(checker.switches)
        something = 0
        for seed in range(30):
            on = random.Random(seed).sample(names, min(len(names), seed % 3))
            run = drawn_run(seed)
            found = checker.happened_on(on, run)
            assert found == stepped(loop, on, run)
            assert checker.happened_on(on, brief(run)) == found
            something += len(found.breaks) + len(found.goals)
        assert something


def test_a_pick_that_is_not_offered_is_refused_in_a_run_of_this_machine() -> None:
    with built_quickly(), ParametricChecker(switched_loop(GUARDED), effort=Effort(threads=1)) as checker:
        offered = ((), (), ())
        assert happened_on(checker.library, offered) == checker.happened_on((), offered)
        for run in (((), (9,)), ((), tuple([0] * 100))):
            with pytest.raises(ProgramFault):
                happened_on(checker.library, run)


def test_of_two_runs_what_was_earlier_counts() -> None:
    one, other = Happened({0: 5, 1: 2}, {}), Happened({0: 3}, {4: 7})
    assert one.or_earlier(other) == Happened({0: 3, 1: 2}, {4: 7})
    assert one.or_earlier(Happened({}, {})) == one
