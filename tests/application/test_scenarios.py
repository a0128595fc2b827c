"""``run`` with a scenario, ``faults`` and ``soak``: texts, JSON, bad input, exit statuses."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

import stillgate as library
from stillgate.reports.published_schemas import schema_of

from .conftest import Command

MACHINES = Path(__file__).parents[2] / "machines"
SCENARIO = """\
scenario: start_and_open
machine: press.yaml
seed: 7
disturb:
  - start bounces 10 ms
steps:
  - {at: 1 s, press: start}
  - {expect: motor, within: 100 ms}
  - {at: 2 s, hold: guard_shut, for: 1 s}
  - {expect: not motor, within: 40 ms}
  - {keep: not motor, for: 1 s}
"""


@pytest.fixture
def scenario(starter: Path) -> Path:
    path = starter.with_name("start.scenario.yaml")
    path.write_text(SCENARIO)
    return path


# -- run ---------------------------------------------------------------------------------------


def test_a_scenario_that_passes_says_so_and_ends_with_0(stillgate: Command, scenario: Path) -> None:
    done = stillgate("run", scenario)
    assert done.status == 0, done.err
    assert "PASSED  start_and_open on press" in done.out
    assert "met at 1 s" in done.out
    assert "one run of a model" in done.out


def test_a_scenario_that_fails_says_what_was_seen_and_why_and_ends_with_1(
    stillgate: Command, scenario: Path
) -> None:
    scenario.write_text(SCENARIO.replace("at: 1 s, press", "at: 50 ms, press"))
    done = stillgate("run", scenario)
    assert done.status == 1
    assert "FAILED  start_and_open" in done.out
    assert f"{scenario}:8: expect motor within 100 ms" in done.out
    assert "motor is off" in done.out
    assert "still is false" in done.out


def test_the_json_of_a_scenario_fits_its_schema(stillgate: Command, scenario: Path) -> None:
    done = stillgate("run", scenario, "--format", "json", "--seed", "9")
    document = json.loads(done.out)
    jsonschema.Draft7Validator(schema_of("scenario-result")).validate(document)
    assert document["passed"] is True
    assert document["seed"] == 9
    assert [item["line"] for item in document["expectations"]] == [8, 10, 11]


def test_a_scenario_runs_on_another_machine_file(stillgate: Command, starter: Path, scenario: Path) -> None:
    other = starter.with_name("other.yaml")
    text = starter.read_text().replace("      - {when: not stop_ok or not guard_shut, to: stopping}\n", "")
    text = text.replace("    overrides:                   # looked at first, in every state\n", "")
    text = text.replace(
        "  - {hold_off: motor, unless: guard_shut, why: nothing turns behind an open guard}\n", ""
    )
    assert text != starter.read_text()
    other.write_text(text)
    scenario.write_text(SCENARIO.replace("press.yaml", "nowhere.yaml"))
    done = stillgate("run", other, "--scenario", scenario)
    assert done.status == 1, done.err
    assert "BROKEN  guard_stops_motor" in done.out


def test_traces_of_a_scenario_are_written(stillgate: Command, scenario: Path, tmp_path: Path) -> None:
    done = stillgate("run", scenario, "--output", tmp_path / "a.scans.csv", "--output", tmp_path / "a.vcd")
    assert done.status == 0, done.err
    assert (tmp_path / "a.scans.csv").read_text().startswith("time_ms,")
    assert "$enddefinitions" in (tmp_path / "a.vcd").read_text()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--at", "1 s start on"), "--at does not go with a scenario"),
        (("--for", "3 s"), "--for does not go with a scenario"),
        (("--scenario", "other.scenario.yaml"), "is a scenario; give a machine file before --scenario"),
    ],
)
def test_what_does_not_go_with_a_scenario_is_refused(
    stillgate: Command, scenario: Path, arguments: tuple[str, ...], said: str
) -> None:
    done = stillgate("run", scenario, *arguments)
    assert done.status == 2
    assert said in done.err


def test_a_bad_scenario_is_told_with_its_places(stillgate: Command, scenario: Path) -> None:
    scenario.write_text(
        SCENARIO.replace("press: start", "press: strat").replace("expect: motor,", "expect: moter,")
    )
    done = stillgate("run", scenario)
    assert done.status == 2
    assert f"{scenario}:7:22: there is no input 'strat'" in done.err
    assert f"{scenario}:8:14: unknown name 'moter'" in done.err
    assert "did you mean 'motor'?" in done.err
    assert "2 problems" in done.err


@pytest.mark.parametrize("name", ["gone.scenario.yaml", "."])
def test_a_scenario_that_is_not_there_is_refused(stillgate: Command, starter: Path, name: str) -> None:
    done = stillgate("run", starter, "--scenario", starter.parent / name)
    assert done.status == 2
    assert "machine file" not in done.err


def test_a_script_may_say_any_disturbance(stillgate: Command, starter: Path) -> None:
    done = stillgate(
        "run", starter, "--for", "3 s", "--at", "1 s start on", "--at", "2 s power dip 100 ms",
        "--at", "1.5 s scan overrun 60 ms", "--at", "1 s motor slow 100 ms",
    )  # fmt: skip
    assert done.status == 0, done.err
    for words in (
        "fault: motor slow 100 ms",
        "fault: scan late: nothing sampled or",
        "power back, cold start",
    ):
        assert words in " ".join(done.out.split()), words
    refused = stillgate("run", starter, "--at", "1 s start slow 100 ms")
    assert refused.status == 2
    assert "'start' is an input, and only outputs can be said to be 'slow'" in refused.err


# -- faults ------------------------------------------------------------------------------------


def test_the_list_names_every_signal_and_what_each_disturbance_does(
    stillgate: Command, starter: Path
) -> None:
    done = stillgate("faults", starter)
    assert done.status == 0
    for words in ("guard_shut stuck off", "motor hangs", "power dip 200 ms", "scan overrun 60 ms", "checked"):
        assert words in done.out
    only = stillgate("faults", starter, "motor")
    assert "start stuck on" not in only.out
    assert "motor stuck on" in only.out


def test_the_json_of_the_list_fits_its_schema(stillgate: Command, starter: Path) -> None:
    document = json.loads(stillgate("faults", starter, "--format", "json").out)
    jsonschema.Draft7Validator(schema_of("faults")).validate(document)
    checked = {item["name"] for item in document["disturbances"] if item["checked"]}
    assert {"motor stuck on", "power interrupted"} <= checked
    assert not any("bounces" in name for name in checked)


def test_an_unknown_signal_is_refused(stillgate: Command, starter: Path) -> None:
    done = stillgate("faults", starter, "moter")
    assert done.status == 2
    assert "did you mean 'motor'?" in done.err


# -- soak --------------------------------------------------------------------------------------


def test_a_soak_that_meets_nothing_says_that_it_proves_nothing(stillgate: Command, starter: Path) -> None:
    done = stillgate("soak", starter, "--hours", "20", "--seed", "3")
    assert done.status == 0, done.err
    assert "no violation met in 20 h" in done.out
    assert "a sample of the runs of a model, not a proof" in " ".join(done.out.split())
    assert "machine-hours a second" in done.out
    assert "seed 3" in done.out


def test_a_soak_writes_the_scenario_of_a_violation_which_run_plays(
    stillgate: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    machine = MACHINES / "broken" / "press_plain_and.yaml"
    done = stillgate("soak", machine, "--hours", "20")
    assert done.status == 1, done.err
    (written,) = tmp_path.glob("*.scenario.yaml")
    assert f"BROKEN  {written.name.partition('.')[0]}" in done.out
    played = stillgate("run", written)
    assert played.status == 1
    assert f"BROKEN  {written.name.partition('.')[0]}" in played.out
    stillgate("soak", machine, "--hours", "20")
    assert len(list(tmp_path.glob("*.scenario.yaml"))) == 2, "nothing is overwritten"
    assert library.load_scenario(written).scenario.scenario == "broken_requirement"


def test_the_json_of_a_soak_fits_its_schema(stillgate: Command, starter: Path, tmp_path: Path) -> None:
    validator = jsonschema.Draft7Validator(schema_of("soak"))
    clean = json.loads(stillgate("soak", starter, "--hours", "2", "--format", "json").out)
    validator.validate(clean)
    assert clean["violation"] is None
    machine = MACHINES / "broken" / "press_plain_and.yaml"
    target = tmp_path / "found.scenario.yaml"
    done = stillgate("soak", machine, "--hours", "2", "--format", "json", "--output", target)
    assert done.status == 1
    document = json.loads(done.out)
    validator.validate(document)
    assert document["violation"]["scenario"] == str(target)
    assert target.exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--hours", "0"), "--hours is 0"),
        (("--hours", "nan"), "--hours is nan"),
        (("--jobs", "0"), "--jobs is 0; it goes from 1 to 256"),
        (("--seed", "-1"), "--seed is -1"),
        (("--shift", "5"), "--shift: '5' is a number without a unit"),
        (("--shift", "30 h"), "--shift is 30 h; it goes from a scan to 24 h"),
        (("--disturb", "motor stuk on"), "--disturb: 'motor stuk on' is not a disturbance"),
        (("--disturb", "nothing", "--disturb", "motor stuck on"), "--disturb: 'nothing' stands alone"),
        (("--disturb", "motor stuck on", "--disturb", "motor stuck off"), "cannot be there together"),
        (("--watch", "fresh_strat"), "did you mean 'fresh_start'?"),
        (("--watch", "can_run"), "'can_run' is about all runs; no single run can break it"),
        (("--operator", "lazy"), "lazy"),
        (("--faults", "2"), "--faults is 2; it goes from 0 to 1"),
        (("--faults", "1"), "no requirement of this machine has to withstand a fault"),
        (("--output", "no/such/folder.yaml"), "--output: there is no folder no/such"),
    ],
)
def test_a_soak_that_cannot_be_meant_is_refused(
    stillgate: Command, starter: Path, arguments: tuple[str, ...], said: str
) -> None:
    done = stillgate("soak", starter, *arguments)
    assert done.status == 2
    assert said in done.err


def test_a_machine_with_nothing_to_watch_is_not_soaked(stillgate: Command, tmp_path: Path) -> None:
    path = tmp_path / "idle.yaml"
    path.write_text("machine: idle\nscan: 20 ms\nsequences: {s: {start: a, states: {a: {end: true}}}}\n")
    done = stillgate("soak", path)
    assert done.status == 2
    assert "no requirement that a run can break" in done.err


# -- schemas and the library -------------------------------------------------------------------


def test_the_schema_of_scenarios_accepts_one_and_refuses_nonsense() -> None:
    """The schema is draft-07, judged by jsonschema."""
    from ruamel.yaml import YAML

    schema = schema_of("scenario")
    jsonschema.Draft7Validator.check_schema(schema)
    validator = jsonschema.Draft7Validator(schema)
    data = YAML(typ="safe").load(SCENARIO)
    validator.validate(data)
    assert list(validator.iter_errors(data | {"sed": 1}))
    assert list(validator.iter_errors(data | {"steps": [{"at": "1", "press": "start"}]}))


def test_scenarios_are_part_of_the_library(scenario: Path, tmp_path: Path) -> None:
    document = library.load_scenario(scenario)
    result = library.run_scenario(document)
    assert isinstance(result, library.ScenarioResult)
    assert result.passed
    library.write_scenario(document.scenario, scenario.with_name("again.scenario.yaml"))
    assert library.load_scenario(scenario.with_name("again.scenario.yaml")).scenario == document.scenario
    with pytest.raises(library.ScenarioFileError):
        library.load_scenario(tmp_path / "gone.scenario.yaml")
