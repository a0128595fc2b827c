"""The scenarios of the example machines pass, and notice what they are about."""

from __future__ import annotations

from pathlib import Path

import pytest

from stillgate.controller.reading.reader import read_machine
from stillgate.interlocks.simulated_runs.scenario_run import run_scenario
from stillgate.sim_io.scenarios.scenario_reader import load_scenario

MACHINES = Path(__file__).parents[2] / "machines"
SCENARIOS = sorted((MACHINES / "scenarios").glob("*.scenario.yaml"))


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.name)
def test_a_scenario_of_an_example_machine_passes(path: Path) -> None:
    result = run_scenario(load_scenario(path))
    assert result.passed, result.difference()
    assert result.outcomes


def test_the_same_scenario_fails_on_the_machine_whose_stop_only_pauses() -> None:
    document = load_scenario(MACHINES / "scenarios" / "restart_and_stop.scenario.yaml")
    paused = read_machine(MACHINES / "broken" / "harvester_estop_pauses.yaml")
    result = run_scenario(paused, document.scenario)
    assert not result.passed
    assert any("cutter_on or ground_on" in item.text for item in result.failures)
