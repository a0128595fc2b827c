"""Scenarios run as tests: what passes, what fails and how it is told."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillgate.controller.reading.reader import MachineDocument, read_machine_text
from stillgate.interlocks.simulated_runs.scenario_run import ExpectationOutcome, ScenarioResult, run_scenario
from stillgate.sim_io.scenarios.scenario import Scenario
from stillgate.sim_io.scenarios.scenario_reader import load_scenario_bytes

PRESS = read_machine_text(
    """\
machine: press
scan: 20 ms
inputs:
  start: {from: operator}
  guard: {contact: normally_closed}
  still: {}
outputs: {motor: {}}
memory: {starts: {range: 0..2, start: 0}}
parts:
  shaft: {kind: spin, drive: motor, runs_down: 100..200 ms, senses: {still: still}, starts: still}
sequences:
  main:
    start: idle
    states:
      idle: {exits: [{when: rising(start) and guard and still, to: running, do: {starts: starts + 1}}]}
      running: {on: [motor], exits: [{when: not guard, to: idle}, {after: 1 s, to: idle}]}
interlocks: [{hold_off: motor, unless: guard, why: nothing turns behind an open guard}]
requirements:
  guarded: {after: not guard, then: not motor, within: 100 ms}
  rests: {from_anywhere: main.idle}
""",
    "press.yaml",
)


def run(steps: str, more: str = "", machine: MachineDocument = PRESS) -> ScenarioResult:
    text = f"scenario: it\nmachine: press.yaml\n{more}steps:\n{steps}"
    found = load_scenario_bytes(text.encode(), "it.scenario.yaml", machine)
    return run_scenario(found)


def only(steps: str, more: str = "") -> ExpectationOutcome:
    (outcome,) = run(steps, more).outcomes
    return outcome


def test_a_scenario_passes_if_everything_expected_is_so() -> None:
    result = run(
        """\
  - {at: 1 s, press: start}
  - {expect: main.running and motor, within: 40 ms}
  - {at: 1.5 s, press: guard, for: 1 s}
  - {expect: not motor, within: 40 ms}
  - {keep: not motor, for: 2 s}
"""
    )
    assert result.passed
    assert result.difference() == ""
    assert [item.decided for item in result.outcomes] == [1000, 1500, 3500]
    assert result.watched == ("guarded",), "possibility is about all runs"
    assert result.frames[-1].time == 4500


def test_a_failure_says_what_by_when_what_was_seen_and_why() -> None:
    result = run(
        """\
  - {press: guard, for: 5 s}
  - {at: 1 s, press: start}
  - {expect: main.running and motor, within: 50 ms}
"""
    )
    assert not result.passed
    assert result.difference().splitlines() == [
        "step 3: expect main.running and motor within 50 ms",
        "  expected from 1 s on, by 1.04 s at the latest",
        "  seen then: main is in idle",
        "  seen then: motor is off",
        "  why: main: idle, exit 1 to running: blocked because rising(start) is false "
        "(start has been true for 40 ms) and guard is false for 1.04 s",
        "  why: motor off: no active state demands it, only main.running would",
    ]


def test_what_is_kept_fails_at_the_first_scan_without_it() -> None:
    outcome = only("  - {at: 1 s, press: start}\n  - {keep: motor, for: 2 s}\n")
    assert (outcome.met, outcome.since, outcome.due, outcome.decided) == (False, 1000, 3000, 2000)
    assert outcome.seen == ("motor is off",)


def test_an_expectation_without_a_limit_is_about_one_instant() -> None:
    assert only("  - {at: 1 s, expect: still}\n").met
    assert not only("  - {at: 1 s, expect: motor}\n").met


def test_an_expectation_that_the_run_ends_before_is_not_met() -> None:
    result = run("  - {at: 1 s, expect: motor, within: 5 s}\n", "lasts: 2 s\n")
    assert not result.passed
    assert result.outcomes[0].seen == ("the scenario ended before",)


def test_a_broken_requirement_fails_a_scenario_and_may_be_left_out() -> None:
    steps = (
        "  - {at: 1 s, press: start}\n  - {at: 1.5 s, inject: motor stuck on}\n  - {press: guard, for: 1 s}\n"
    )
    result = run(steps)
    assert not result.passed
    assert [(item.requirement, item.time) for item in result.broken] == [("guarded", 1580)]
    meant = "after not guard, then not motor within 100 ms"
    assert result.difference() == f"requirement guarded broken at 1.58 s: {meant}"
    assert run(steps, "watch: []\n").passed


def test_a_counter_that_leaves_its_bounds_counts_as_broken() -> None:
    steps = "".join(f"  - {{at: {time} s, press: start}}\n" for time in (1, 3, 5))
    assert [(item.requirement, item.time) for item in run(steps).broken] == [("starts in its bounds", 5000)]


def test_edges_and_holds_may_be_expected() -> None:
    outcomes = run(
        """\
  - {at: 1 s, press: start}
  - {expect: rising(motor), within: 100 ms}
  - {expect: 'held(motor, 500 ms)', within: 520 ms}
  - {expect: falling(motor), within: 1 s}
"""
    ).outcomes
    assert [(item.met, item.decided) for item in outcomes] == [(True, 1000), (True, 1500), (True, 2000)]


def test_the_seed_decides_what_the_parts_leave_open() -> None:
    steps = "  - {at: 1 s, press: start}\n  - {at: 2 s, expect: still, within: 1 s}\n"
    times = {run(steps, f"seed: {seed}\n").outcomes[0].decided for seed in range(12)}
    assert len(times) > 1
    assert all(2100 <= time <= 2220 for time in times)


def test_an_operator_may_do_the_rest() -> None:
    assert only("  - {expect: starts > 0, within: 30 s}\n", "operator: sensible\n").met
    assert not only("  - {expect: starts > 0, within: 30 s}\n").met


def test_a_machine_and_a_scenario_may_be_handed_in_apart() -> None:
    scenario = Scenario.model_validate({"scenario": "it", "machine": "-", "steps": [{"expect": "still"}]})
    assert run_scenario(PRESS, scenario).passed


ROW = st.lists(st.booleans(), min_size=2, max_size=12)


@pytest.mark.filterwarnings("ignore")
@settings(deadline=None, max_examples=25)
@given(ROW, st.integers(0, 11), st.integers(0, 11))
def test_expect_and_keep_mean_what_metric_temporal_logic_says(row: list[bool], at: int, length: int) -> None:
    """F[0,d] and G[0,d] of rtamt at the instant of the step, where the row is long enough to tell."""
    rtamt = pytest.importorskip("rtamt", reason="rtamt is for Python up to 3.12")
    at = min(at, len(row) - 1)
    length = min(length, len(row) - 1 - at)
    steps = "".join(
        f"  - {{at: {20 * i} ms, set: {{start: {'on' if level else 'off'}}}}}\n"
        for i, level in enumerate(row)
    )
    steps += f"  - {{at: {20 * at} ms, expect: start, within: {20 * length} ms}}\n"
    steps += f"  - {{at: {20 * at} ms, keep: start, for: {20 * length} ms}}\n"
    found = tuple(item.met for item in run(steps, "watch: []\n").outcomes)
    trace = [[i, float(level)] for i, level in enumerate(row)]
    expected = []
    for operator in ("eventually", "always"):
        formula = rtamt.StlDiscreteTimeSpecification()
        formula.declare_var("start", "float")
        formula.spec = f"{operator}[0,{length}](start >= 0.5)"
        formula.parse()
        robustness = formula.evaluate({"time": [i for i, _ in trace], "start": [value for _, value in trace]})
        expected.append(robustness[at][1] >= 0)
    assert found == tuple(expected)


def test_expectations_read_named_conditions_of_the_machine() -> None:
    """As seen by the controller too; what is not met is told of the signals behind the name."""
    named = PRESS.source.decode().replace("sequences:", """\
conditions:
  turns: main.running and motor
  at_rest: still and not main.running
sequences:""")  # fmt: skip
    result = run(
        """\
  - {expect: at_rest and seen.at_rest}
  - {at: 1 s, press: start}
  - {expect: turns, within: 40 ms}
  - {keep: turns and not seen.at_rest, for: 400 ms}
  - {at: 2 s, expect: turns}
""",
        machine=read_machine_text(named, "press.yaml"),
    )
    *met, late = result.outcomes
    assert all(outcome.met for outcome in met)
    assert not late.met
    assert late.text == "expect turns"
    assert late.seen == ("main is in idle", "motor is off")
