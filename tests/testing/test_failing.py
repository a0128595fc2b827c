"""What fails in a run does so at its moment, and is something that a requirement leans on."""

from __future__ import annotations

from pathlib import Path

import pytest

from stillgate.commands.new import starter_text
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.testing.connections import Connections
from stillgate.testing.fast_simulation import LoweredMachine, LoweredRun
from stillgate.testing.fault_timing import ComingFault, suspects_of

MACHINES = Path(__file__).parents[2] / "machines"
SAW = read_machine(MACHINES / "guarded_saw.yaml").machine
STARTER = starter_text("press").replace("faults: 0   ", "faults: 1   ")
PRESS = read_machine_text(STARTER, "press.machine.yaml").machine
SUSPECTS = suspects_of(PRESS, Connections(PRESS), None)


def started() -> LoweredRun:
    """The press at power-on; its shaft runs down for a while before start does anything."""
    run = LoweredMachine(PRESS).run(0)
    run.set_input("stop_ok", True)
    run.set_input("guard_shut", True)
    return run


def test_a_requirement_leans_on_what_drives_and_senses_the_parts_it_names() -> None:
    leaning = Connections(SAW).leans_on(SAW.requirements["guard_open_blade_still"])
    assert set(leaning) == {
        "guard_shut_1", "guard_shut_2", "bolt_in", "unlock", "unlock_supply", "blade_still", "k1", "k2",
    }  # fmt: skip


def test_a_switch_is_moved_by_the_states_that_drive_its_part() -> None:
    movers = Connections(SAW).movers
    assert movers["blade_still"] == (("saw", "running"),)
    assert movers["bolt_in"] == (("lock", "open"),)
    assert "start" not in movers, "nobody but a person presses it"


def test_only_what_must_withstand_a_fault_is_suspected() -> None:
    assert suspects_of(SAW, Connections(SAW), ("can_saw",)) == {}
    names = {name for name, _ in suspects_of(SAW, Connections(SAW), ("stop_outranks",))}
    assert names == {"stop_ok_1", "stop_ok_2", "k1", "k2"}


def test_excluded_faults_are_not_suspected() -> None:
    file = MACHINES / "lavender_harvester.yaml"
    machine = read_machine(file).machine
    excluded = {item.fault for item in machine.check.exclude}
    named = {item.name for item in suspects_of(machine, Connections(machine), None).values()}
    assert named and not named & excluded


@pytest.mark.parametrize("moment", [0, 1, 2])
def test_a_given_fault_waits_for_changes_of_outputs(moment: int) -> None:
    run = started()
    number = list(SUSPECTS).index(("motor", True))
    coming = ComingFault((number, moment), SUSPECTS, run)
    seen = 0
    before = run.outputs
    for scan in range(200):
        if scan == 60:
            run.set_input("start", True)
        if scan == 120:
            run.set_input("stop_ok", False)
        run.step()
        seen += run.outputs != before and run.scan > 1
        before = run.outputs
        found = coming.due(run)
        if found is not None:
            assert (found.name, seen) == ("motor stuck on", moment)
            return
        assert seen < moment or moment == 0
    pytest.fail("nothing failed")


def test_what_changes_stays_as_it_was() -> None:
    """The motor is suspected of not following when it is turned on for the first time."""
    run = started()
    coming = ComingFault((None, 0), SUSPECTS, run)
    for scan in range(90):
        run.set_input("start", scan >= 60)
        before = {**run.outputs, **run.sensed}
        run.step()
        found = coming.due(run)
        if found is not None:
            name, _, level = found.name.partition(" stuck ")
            assert before[name] is (level == "on")
            assert {**run.outputs, **run.sensed}[name] is not before[name]
            assert run.scan > 1
            return
    pytest.fail("nothing changed")
