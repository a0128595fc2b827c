"""Outputs at will, some at a time: they break no less, and no more, than with all of them at will."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import import_module

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from closed_gate import GATE, quick
from engine import broken_c
from plants_strategy import closed_machines
from stillgate.controller.machine_file.machine import FromAnywhere, Machine, Reach
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.analyses.unconstrained_outputs import Freed, freed_for


@pytest.fixture(scope="module", autouse=True)
def _never_all_at_once() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            import_module("stillgate.interlocks.analyses.unconstrained_outputs"), "MOST_AT_WILL", -1
        )
        yield


def judged(machine: Machine) -> Machine:
    """Without possibility, which is not judged in layers."""
    some = {
        name: item
        for name, item in machine.requirements.items()
        if not isinstance(item, Reach | FromAnywhere)
    }
    return machine.model_copy(update={"requirements": some})


def test_what_a_requirement_does_not_read_does_as_it_likes() -> None:
    """The leaf is not read by 'one_direction', so its switches are moved by nobody."""
    machine = read_machine_text(GATE).machine
    group = next(item for item in freed_for(machine, machine.scan) if "one_direction" in item.requirements)
    assert (group.outputs, group.parts, group.whole) == ({"motor_open", "motor_shut"}, frozenset(), False)
    free = {item.signal.name for item in group.wider_loop(machine, 100, 0).free}
    assert {"gate_open", "gate_shut"} <= free
    assert not {"gate_open", "gate_shut"} & {item.signal.name for item in group.loop(machine, 100, 0).free}


def test_without_an_interlock_between_them_both_directions_are_demanded_at_once() -> None:
    machine = read_machine_text(GATE).machine
    group = next(item for item in freed_for(machine, machine.scan) if "one_direction" in item.requirements)
    assert "one_direction" in broken_c(group.loop(machine, 100, 0))


def bounded(machine: Machine, faults: int) -> None:
    machine = judged(machine)
    assume(machine.requirements)
    tick = machine.scan
    everything = Freed(
        tuple(machine.requirements), frozenset(machine.outputs), frozenset(machine.parts), True
    )
    broken = broken_c(everything.loop(machine, tick, faults))
    for group in freed_for(machine, tick):
        names = set(group.requirements)
        wider = broken_c(group.wider_loop(machine, tick, faults)) & names
        narrower = broken_c(group.loop(machine, tick, faults)) & names
        assert narrower <= broken & names <= wider


@quick(3)
@given(machine=closed_machines(), faults=st.sampled_from((0, 1)))
def test_all_outputs_at_will_break_no_less_and_no_more_on_random_machines(
    machine: Machine, faults: int
) -> None:
    bounded(machine, faults)


@pytest.mark.night
@quick(150)
@given(machine=closed_machines(), faults=st.sampled_from((0, 1)))
def test_all_outputs_at_will_break_no_less_and_no_more_on_many_random_machines(
    machine: Machine, faults: int
) -> None:
    bounded(machine, faults)
