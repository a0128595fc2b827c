"""What the strategies draw can be written down and run; what fails is saved and fails again."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, find, given, seed, settings
from hypothesis import strategies as st
from hypothesis.stateful import rule, run_state_machine_as_test

from plants_strategy import closed_machines
from stillgate import load_scenario, run_scenario, testing, write_scenario
from stillgate.commands.new import starter_text
from stillgate.controller.errors import StillgateError
from stillgate.controller.reading.reader import read_machine_text
from stillgate.sim_io.faults.fault_list import faults_of
from stillgate.sim_io.scenarios.scenario import Scenario
from stillgate.sim_io.scenarios.scenario_reader import load_scenario_bytes
from stillgate.sim_io.scenarios.scenario_writer import scenario_text
from stillgate.testing import (
    MachineRules,
    RequirementBroken,
    fault_schedules,
    input_sequences,
    machine_rules,
    scenarios,
    switch_disturbances,
)

pytest_plugins = ["pytester"]

STARTER = starter_text("press")
PRESS = read_machine_text(STARTER, "press.machine.yaml")
FORGOTTEN = STARTER.replace("unless: guard_shut", "unless: true").replace(" or not guard_shut, to", ", to")


def quick(examples: int, *, shrunk: bool = True) -> settings:
    """Few examples, no clock, found again by nobody, not explained; to shrink them takes most of the time."""
    phases = [item for item in Phase if item is not Phase.explain] if shrunk else [Phase.generate]
    checks = list(HealthCheck)
    return settings(
        max_examples=examples,
        deadline=None,
        database=None,
        phases=phases,
        stateful_step_count=8,
        suppress_health_check=checks,
    )


@quick(20)
@given(events=input_sequences(PRESS.machine, longest="2 s"), faults=fault_schedules(PRESS.machine, most=2))
def test_events_come_in_order_and_name_what_may_be_set_or_fail(events: list, faults: list) -> None:  # type: ignore[type-arg]
    assert [event.time for event in events] == sorted(event.time for event in events)
    assert all(event.time <= 2000 and event.time % 20 == 0 for event in events)
    assert {event.name for event in events} <= {"start", "stop_ok", "guard_shut"}
    known = {fault.name for fault in faults_of(PRESS.machine)} | {"power"}
    assert {event.name for event in faults} <= known


@quick(8)
@given(data=st.data())
def test_a_drawn_scenario_reads_back_and_runs_the_same(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Among them operators of each kind, one fault, bouncing and slow switches."""
    folder = tmp_path_factory.mktemp("drawn")
    (folder / "press.machine.yaml").write_text(STARTER, encoding="utf-8")
    switches = switch_disturbances(PRESS.machine)
    drawn = data.draw(scenarios(PRESS, faults=1, disturbances=switches, longest="600 ms"))
    write_scenario(drawn.model_copy(update={"machine": "press.machine.yaml"}), folder / "drawn.scenario.yaml")
    again = load_scenario(folder / "drawn.scenario.yaml")
    assert run_scenario(again).frames == run_scenario(PRESS, drawn).frames


@quick(30)
@given(data=st.data())
def test_whatever_is_drawn_of_any_machine_reads_back_equal(data: st.DataObject) -> None:
    """Power that was to come back after the end of the run was once written as a step too late to read."""
    machine = data.draw(closed_machines(parts=2))
    document = read_machine_text(STARTER, "press.machine.yaml")
    document = replace(document, machine=machine)
    some = data.draw(st.sampled_from(((), switch_disturbances(machine))))
    longest = data.draw(st.sampled_from(("0 s", "20 ms", "1 s", "10 s")))
    drawn = data.draw(
        scenarios(document, faults=data.draw(st.integers(0, 3)), disturbances=some, longest=longest)
    )
    again = load_scenario_bytes(scenario_text(drawn).encode(), "drawn.scenario.yaml", document)
    assert again.scenario == drawn


def test_power_that_comes_back_after_the_end_is_not_written() -> None:
    found = []

    @seed(1)
    @settings(quick(300), phases=[Phase.generate])
    @given(scenarios(PRESS, faults=1, longest="1 s"))
    def look(drawn: Scenario) -> None:
        powers = [step.power for step in drawn.steps if step.power is not None]
        found.append(powers == [False])
        assert all(time <= 1000 for time in drawn.times)

    look()
    assert any(found), "among them is an interruption that outlasts the run"


def test_a_broken_requirement_is_shrunk_saved_and_broken_again(tmp_path: Path) -> None:
    path = tmp_path / "press.machine.yaml"
    path.write_text(FORGOTTEN, encoding="utf-8")
    rules = machine_rules(path, faults=0, found_in=tmp_path / "found")
    with pytest.raises(RequirementBroken, match=r"guard_stops_motor is broken .* after power-on") as raised:
        run_state_machine_as_test(seed(1)(rules), settings=quick(200))
    (saved,) = (tmp_path / "found").glob("*.scenario.yaml")
    assert f"stillgate run {saved.as_posix()}" in str(raised.value)
    result = run_scenario(load_scenario(saved))
    assert [item.requirement for item in result.broken] == ["guard_stops_motor"]
    assert result.broken[0].time == raised.value.time
    assert len(result.scenario.steps) <= 6, "short enough to read"


def test_a_run_that_cannot_be_saved_is_told_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "press.machine.yaml"
    path.write_text(FORGOTTEN, encoding="utf-8")
    rules = machine_rules(path, faults=0, found_in=path / "found")
    said = r"(?s)surroundings: guard_shut opens .*No scenario is saved, since .*found cannot be written: "
    with pytest.raises(RequirementBroken, match=said):
        run_state_machine_as_test(seed(1)(rules), settings=quick(200, shrunk=False))


def test_what_cannot_be_together_is_never_drawn_and_is_refused(tmp_path: Path) -> None:
    """Two times for one bounce; a scenario of such a run could not be read."""
    path = tmp_path / "press.machine.yaml"
    path.write_text(STARTER, encoding="utf-8")
    both = ["start bounces 10 ms", "start bounces 20 ms"]
    run = machine_rules(path, faults=0, switch_faults=both, found_in=tmp_path / "found")()
    run.power_on(seed=0, switches={0, 1}, failing=None)
    assert run._record.disturb == ("start bounces 10 ms",)
    run.fail("stop_ok stuck on")
    with pytest.raises(StillgateError, match="'stop_ok stuck off' and 'stop_ok stuck on' cannot be there"):
        run.fail("stop_ok stuck off")
    assert [step.inject for step in run._record.steps] == ["stop_ok stuck on"]


def test_a_kept_scenario_is_never_written_over_and_none_is_written_twice(tmp_path: Path) -> None:
    """Somebody added to the first what they expect; a second run of the same test finds the same."""
    path = tmp_path / "press.machine.yaml"
    path.write_text(FORGOTTEN, encoding="utf-8")

    def find_it() -> list[str]:
        rules = machine_rules(path, faults=0, found_in=tmp_path / "found")
        with pytest.raises(RequirementBroken) as raised:
            run_state_machine_as_test(seed(1)(rules), settings=quick(200, shrunk=False))
        files = sorted((tmp_path / "found").iterdir())
        assert any(f"stillgate run {file.as_posix()}" in str(raised.value) for file in files)
        return [file.name for file in files]

    first = "press_guard_stops_motor.scenario.yaml"
    assert find_it() == [first]
    assert find_it() == [first], "the same run is there already"
    kept = tmp_path / "found" / first
    kept.write_text(kept.read_text(encoding="utf-8") + "  - {expect: motor}\n", encoding="utf-8")
    text = kept.read_text(encoding="utf-8")
    assert find_it() == [first, "press_guard_stops_motor_2.scenario.yaml"]
    assert kept.read_text(encoding="utf-8") == text


def test_a_run_is_saved_under_a_name_that_a_scenario_may_have(tmp_path: Path) -> None:
    """Names of machine and requirement may be as long as names can be, and end in '_'."""
    path = tmp_path / "press.machine.yaml"
    long = "guard_stops_motor" + "x" * 47
    text = FORGOTTEN.replace("machine: press\n", f"machine: press{'y' * 58}_\n")
    path.write_text(text.replace("guard_stops_motor", long), encoding="utf-8")
    rules = machine_rules(path, faults=0, found_in=tmp_path / "found")
    with pytest.raises(RequirementBroken):
        run_state_machine_as_test(seed(1)(rules), settings=quick(200, shrunk=False))
    (saved,) = (tmp_path / "found").glob("*.scenario.yaml")
    assert run_scenario(load_scenario(saved)).broken[0].requirement == long


def own_rules(tmp_path: Path) -> type[MachineRules]:
    path = tmp_path / "press.machine.yaml"
    path.write_text(STARTER, encoding="utf-8")
    return machine_rules(path, faults=0, found_in=tmp_path / "found")


def test_a_failed_assertion_of_ones_own_is_told_and_saved_too(tmp_path: Path) -> None:
    class Mine(own_rules(tmp_path)):  # type: ignore[misc]
        """A rule that cannot hold."""

        @rule()
        def nobody_presses_start(self) -> None:
            self.change(start=True)
            self.wait(40)
            assert not self.circuits["start"]

    with pytest.raises(AssertionError) as raised:
        run_state_machine_as_test(seed(1)(Mine), settings=quick(30))
    (saved,) = (tmp_path / "found").glob("*.scenario.yaml")
    assert saved.name == "press_assertion_of_Mine.scenario.yaml"
    told = "\n".join(raised.value.__notes__)
    assert told.count("after power-on:") == 1, "the last and shortest run only"
    assert "operator: start goes on" in told
    assert f"stillgate run {saved.as_posix()}" in told
    assert run_scenario(load_scenario(saved)).frames[-1].circuits["start"]


def test_a_slip_in_ones_own_rules_is_no_finding_about_the_machine(tmp_path: Path) -> None:
    class Mine(own_rules(tmp_path)):  # type: ignore[misc]
        """A rule with a slip in it."""

        def every_scan(self) -> None:
            assert not self.outputs["moter"]

    with pytest.raises(KeyError, match="moter"):
        run_state_machine_as_test(seed(1)(Mine), settings=quick(5))
    assert not (tmp_path / "found").exists()


def test_without_hypothesis_a_sentence_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "stillgate.testing.strategies")
    monkeypatch.setitem(sys.modules, "hypothesis", None)
    monkeypatch.delitem(vars(testing), "scenarios")
    with pytest.raises(ImportError, match=r"pip install 'stillgate\[pytest\]'"):
        testing.scenarios  # noqa: B018


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ({"requirements": ["guard_stops_moter"]}, "guard_stops_moter is no requirement; did you mean 'guard"),
        ({"requirements": ["can_run"]}, "can_run is about all runs and cannot be broken by one"),
        ({"faults": 2}, "faults is 2; it goes from 0 to 1"),
        ({"faults": "1"}, "faults is '1'; it goes from 0 to 1"),
        ({"requirements": "can_run"}, r"requirements is one text; write a list: requirements=\['can_run'\]"),
        ({"switch_faults": "start bounces 10 ms"}, "switch_faults is one text; write a list"),
        ({"switch_faults": ["strat bounces 10 ms"]}, "there is no input 'strat'"),
    ],
)
def test_what_cannot_be_asked_of_rules_is_said_at_once(how: dict[str, Any], said: str) -> None:
    with pytest.raises(StillgateError, match=said):
        machine_rules(PRESS, **how)


def test_rules_are_made_of_a_file_since_a_scenario_names_one() -> None:
    with pytest.raises(StillgateError, match="machine is a Machine; give a path, or what read_machine gave"):
        machine_rules(PRESS.machine)  # type: ignore[arg-type]


def test_strategies_take_a_machine_and_what_was_read_alike() -> None:
    assert switch_disturbances(PRESS) == switch_disturbances(PRESS.machine)
    find(input_sequences(PRESS, longest="1 s"), lambda events: len(events) == 1, settings=quick(50))
    find(fault_schedules(PRESS, longest="1 s"), lambda events: len(events) == 1, settings=quick(50))


def test_a_bad_machine_file_is_told_at_the_line_of_the_test_and_not_deeper(
    tmp_path: Path, pytester: pytest.Pytester
) -> None:
    pytester.path.joinpath("press.yaml").write_text(STARTER.replace("rising(start)", "rising(strat)"))
    pytester.makepyfile('import stillgate.testing\nstillgate.testing.machine_rules("press.yaml")\n')
    said = pytester.runpytest_subprocess("-q")
    said.stdout.fnmatch_lines(
        ["*.py:2: in <module>", "E*press.yaml:*: unknown name 'strat'", "E*did you mean*"]
    )
    assert "for_machine.py" not in said.stdout.str()
    assert "reader.py" not in said.stdout.str()
