"""A way that was found by writing a loop out is one; where there is none, none is found."""

from __future__ import annotations

import pytest

from closed_gate import GATE
from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.loop.answers import answering
from stillgate.interlocks.loop.interpreter import LoopRunner
from stillgate.interlocks.proofs.bmc import way_within
from stillgate.interlocks.proofs.transition_system import LoopFormula, loop_formula

TEXT = GATE + "  can_wait: {reach: gate.waiting}\n  moves: {never: motor_open}\n"


def formula(faults: int = 0) -> LoopFormula:
    return loop_formula(read_machine_text(TEXT, "gate.yaml").machine, tick=100, faults=faults)


def test_a_way_is_replayed_state_for_state_and_breaks_in_its_last_tick_only() -> None:
    found = formula()
    way = way_within(found, found.broken["moves"], 8)
    assert way is not None
    runner = LoopRunner(found.loop)
    runner.begin(answering(way.start))
    broken = []
    for number, picks in enumerate(way.steps):
        assert runner.key() == way.keys[number]
        tick = runner.step(answering(picks), settle=False)
        broken.append("moves" in {found.loop.requirement_names[index] for index in tick.broken})
    assert broken == [*(False for _ in way.steps[1:]), True]


def test_too_few_ticks_show_no_way_and_just_enough_do() -> None:
    found = formula()
    goal = found.goals["can_wait"]
    least = next(ticks for ticks in range(1, 12) if way_within(found, goal, ticks) is not None)
    assert least > 1
    way = way_within(found, goal, least)
    assert way is not None
    assert len(way.steps) == least


def test_what_never_happens_has_no_way() -> None:
    found = formula(1)
    assert way_within(found, found.outside, 6) is None


def test_time_runs_out() -> None:
    found = formula()
    with pytest.raises(OutOfTime):
        way_within(found, found.outside, 40, Effort().within(0))
