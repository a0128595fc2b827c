"""Scenario files: every independent problem at once, each at its place; what is written reads back."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from machines_strategy import MachineDict, machine_dicts, machine_text
from stillgate.controller.errors import MachineFileError, ScenarioFileError
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine_text
from stillgate.sim_io.faults.disturbances import disturbances_of
from stillgate.sim_io.scenarios.scenario import Scenario
from stillgate.sim_io.scenarios.scenario_events import events_of
from stillgate.sim_io.scenarios.scenario_reader import load_scenario, load_scenario_bytes
from stillgate.sim_io.scenarios.scenario_writer import scenario_text
from stillgate.sim_io.simulation.script import Doing

PRESS_TEXT = """\
machine: press
scan: 20 ms
inputs:
  start: {from: operator}
  guard: {contact: normally_closed}
  still: {}
outputs: {motor: {}}
parts:
  shaft: {kind: spin, drive: motor, runs_down: 100..200 ms, senses: {still: still}, starts: still}
sequences:
  main:
    start: idle
    states:
      idle: {exits: [{when: start and guard, to: running}]}
      running: {on: [motor], exits: [{when: not start or not guard or still, to: idle}]}
requirements: {guarded: {never: motor and not guard}}
"""
PRESS = read_machine_text(PRESS_TEXT, "press.yaml")
HEAD = "scenario: it\nmachine: press.yaml\n"


def refused(text: str) -> list[tuple[int, int, str, str]]:
    with pytest.raises(ScenarioFileError) as caught:
        load_scenario_bytes(text.encode(), "it.scenario.yaml", PRESS)
    return [(item.line, item.column, item.message, item.hint) for item in caught.value.problems]


def step(text: str) -> tuple[int, str, str]:
    """The one problem of a scenario with one step: column, message, hint."""
    problems = refused(f"{HEAD}steps:\n  - {text}\n")
    assert len(problems) == 1, problems
    assert problems[0][0] == 4
    return problems[0][1:]


@pytest.mark.parametrize(
    ("text", "column", "said", "hint"),
    [
        ("{at: 1 s, press: strat}", 22, "there is no input 'strat'", "did you mean 'start'?"),
        ("{at: 1 s, press: still}", 22, "'still' is moved by the part shaft", "'still stuck off'"),
        ("{at: 1 s, press: motor}", 22, "'motor' is an output; a step moves inputs", ""),
        ("{at: 1 s, set: {start: on, gard: off}}", 32, "there is no input 'gard'", "did you mean 'guard'?"),
        ("{at: 1 s, set: {start: open}}", 28, "'open' is not possible here: 'on' or 'off'", ""),
        ("{at: 1, press: start}", 10, "1 is a number without a unit", "say '1 ms' or '1 s'"),
        ("{at: 1 s, press: start, power: off}", 29, "a step does one thing", "write two steps"),
        ("{at: 1 s}", 5, "the step does nothing", "say 'press', 'hold'"),
        ("{at: 1 s, pres: start}", 15, "unknown key 'pres'", "did you mean 'press'?"),
        ("{expect: main.runing}", 19, "the sequence 'main' has no state 'runing'", "did you mean 'running'?"),
        ("{expect: motor and gurd}", 24, "unknown name 'gurd'", "did you mean 'guard'?"),
        ("{expect: motor and}", 0, "", ""),
        ("{keep: motor}", 6, "'for' is missing here", "say for example 'for: 2 s'"),
        ("{expect: motor, for: 2 s}", 21, "'for' goes with 'press', 'hold' or 'keep'", "say 'within'"),
        ("{press: start, within: 2 s}", 20, "'within' goes with 'expect', not with 'press'", ""),
        ("{inject: motor stuk on}", 0, "'motor stuk on' is not a disturbance", "'motor stuck on'"),
        ("{inject: motr stuck on}", 14, "there is no input or output 'motr'", "did you mean 'motor'?"),
        ("{inject: start bounces 10}", 28, "'10' is a number without a unit", "say '10 ms' or '10 s'"),
        ("{clear: motor stuck on}", 13, "'motor stuck on' begins nowhere in this file", ""),
    ],
)
def test_a_step_that_cannot_be_meant_is_refused_at_its_place(
    text: str, column: int, said: str, hint: str
) -> None:
    found, message, told = step(text)
    assert said in message
    assert hint in told
    if column:
        assert found == column, text[found - 5 :]


def test_all_independent_problems_are_told_at_once() -> None:
    text = """\
scenario: it
machine: press.yaml
seed: many
disturb: [start bounces 5 ms, start bounces 6 ms]
watch: [garded]
steps:
  - {at: 1, press: start}
  - {press: strat}
  - {expect: main.runing, within: 1 s}
  - {expct: motor}
"""
    lines = [(line, message) for line, _, message, _ in refused(text)]
    assert [line for line, _ in lines] == [3, 4, 5, 7, 8, 9, 10]
    assert "a whole number is expected here" in lines[0][1]
    assert "cannot be there together" in lines[1][1]


def test_a_scenario_that_ends_before_its_last_step_is_refused() -> None:
    problems = refused(f"{HEAD}lasts: 2 s\nsteps:\n  - {{at: 3 s, press: start}}\n")
    assert [(line, said, hint) for line, _, said, hint in problems] == [
        (5, "the scenario ends at 2 s, before this", "say 'lasts: 4 s'")
    ]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "the file is empty"),
        (b"- 1\n", "a scenario file begins with keys"),
        (b"a: [1\n", ""),
        (b"\0\0", "this is a binary file, not a scenario file"),
        (b"scenario: it\n", "'machine' is missing here"),
        (b"machine: press.yaml\n", "'scenario' is missing here"),
    ],
)
def test_what_is_no_scenario_file_is_refused(content: bytes, said: str) -> None:
    with pytest.raises(ScenarioFileError) as caught:
        load_scenario_bytes(content, "x.scenario.yaml", PRESS)
    assert said in str(caught.value)
    assert "machine file" not in str(caught.value)


def test_the_machine_is_looked_for_beside_the_scenario(tmp_path: Path) -> None:
    (tmp_path / "press.yaml").write_text(PRESS_TEXT)
    path = tmp_path / "it.scenario.yaml"
    path.write_text(HEAD)
    assert load_scenario(path).machine == PRESS.machine
    path.write_text("scenario: it\nmachine: pres.yaml\n")
    with pytest.raises(ScenarioFileError, match="there is no such file") as caught:
        load_scenario(path)
    assert caught.value.problems[0].line == 2
    assert caught.value.problems[0].hint == "did you mean 'press.yaml'?", "as it is to be written there"
    (tmp_path / "press.yaml").write_text(PRESS_TEXT.replace("20 ms", "20"))
    path.write_text(HEAD)
    with pytest.raises(MachineFileError) as broken:
        load_scenario(path)
    assert not isinstance(broken.value, ScenarioFileError), "the fault is the machine file's"


def test_a_step_without_a_time_happens_at_the_one_before() -> None:
    text = """\
steps:
  - {press: start}
  - {at: 2 s, press: guard, for: 100 ms}
  - {hold: start}
  - {release: start, at: 3 s}
  - {power: off}
  - {inject: motor stuck on}
  - {clear: motor stuck on}
"""
    found = load_scenario_bytes((HEAD + text).encode(), "x", PRESS)
    assert found.scenario.times == (0, 2000, 2000, 3000, 3000, 3000, 3000)
    assert found.scenario.duration == 4000
    events = [
        (item.time, item.doing, item.name, item.on) for item in events_of(found.scenario, found.machine)
    ]
    assert events == [
        (0, Doing.INPUT, "start", True),
        (200, Doing.INPUT, "start", False),
        (2000, Doing.INPUT, "guard", False),  # a normally closed contact opens
        (2000, Doing.INPUT, "start", True),
        (2100, Doing.INPUT, "guard", True),
        (3000, Doing.INPUT, "start", False),
        (3000, Doing.POWER, "power", False),
        (3000, Doing.FAULT, "motor stuck on", True),
        (3000, Doing.FAULT, "motor stuck on", False),
    ]


def test_steps_without_a_list_are_told_beside_another_mistake() -> None:
    with pytest.raises(MachineFileError) as refused:
        load_scenario_bytes(b"qcenario: x\nmachine: m.yaml\nsteps:\n", "s.yaml")
    assert "unknown key 'qcenario'" in str(refused.value)


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(content: bytes) -> None:
    with pytest.raises(ScenarioFileError):
        load_scenario_bytes(content, "x", PRESS)


@given(st.text("{}[]:,- \n'\"atpresholdxctwiinfos12", max_size=120))
def test_any_text_behind_a_good_beginning_is_read_or_refused(text: str) -> None:
    try:
        load_scenario_bytes((HEAD + "steps:\n  - " + text).encode(), "x", PRESS)
    except ScenarioFileError as refused_:
        assert refused_.problems


@st.composite
def scenarios(draw: st.DrawFn, machine: Machine) -> Scenario:
    """Any scenario of a machine."""
    times = st.integers(0, 10**6).map(lambda value: f"{value} ms")
    free = sorted(set(machine.inputs) - {name for part in machine.parts.values() for name in part.senses})
    lines = st.sampled_from([item.name for item in disturbances_of(machine)])
    doings = [
        st.fixed_dictionaries({"inject": lines}),
        st.fixed_dictionaries({"power": st.sampled_from(["on", "off"])}),
        st.fixed_dictionaries({"expect": st.just("true")}, optional={"within": times}),
        st.fixed_dictionaries({"keep": st.sampled_from(["1 + 1 = 2", "true"]), "for": times}),
    ]
    if free:
        names = st.lists(st.sampled_from(free), min_size=1, max_size=3)
        doings += [
            st.fixed_dictionaries({"press": names}, optional={"for": times}),
            st.fixed_dictionaries({"hold": names}),
            st.fixed_dictionaries({"release": names}),
            st.fixed_dictionaries(
                {"set": st.dictionaries(st.sampled_from(free), st.sampled_from(["on", "off"]), min_size=1)}
            ),
        ]
    text = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
    steps = [
        {**draw(st.one_of(doings)), **draw(st.fixed_dictionaries({}, optional={"at": times, "note": text}))}
        for _ in range(draw(st.integers(0, 6)))
    ]
    return Scenario.model_validate(
        {
            "scenario": "any",
            "machine": draw(st.sampled_from(["press.yaml", "../a b/press.yaml", "true", "null", "1e5"])),
            "title": draw(text),
            "seed": draw(st.integers(0, 2**63 - 1)),
            "operator": draw(st.sampled_from(["nobody", "sensible", "clumsy", "hostile"])),
            "disturb": draw(st.lists(lines, max_size=1)),
            "steps": steps,
            "note": draw(text),
        }
    )


@settings(max_examples=40, deadline=None)
@given(st.data(), machine_dicts())
def test_what_is_written_reads_back_equal(data: st.DataObject, machine: MachineDict) -> None:
    reads_back(data, machine)


@pytest.mark.night
@settings(max_examples=1000, deadline=None)
@given(st.data(), machine_dicts())
def test_much_of_what_is_written_reads_back_equal(data: st.DataObject, machine: MachineDict) -> None:
    reads_back(data, machine)


def reads_back(data: st.DataObject, machine: MachineDict) -> None:
    document = read_machine_text(machine_text(machine))
    scenario = data.draw(scenarios(document.machine))
    found = load_scenario_bytes(scenario_text(scenario).encode(), "x", document)
    assert found.scenario == scenario
    assert scenario_text(found.scenario) == scenario_text(scenario)
