"""Soak: planted mistakes are found, cut down and confirmed; the right machines show nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from stillgate.controller.reading.reader import MachineDocument, read_machine
from stillgate.interlocks.simulated_runs.scenario_run import run_scenario
from stillgate.interlocks.simulated_runs.soak_run import SoakProgress, SoakResult, soak
from stillgate.sim_io.faults.disturbances import contacts_bounce, parse_disturbances, stuck_faults
from stillgate.sim_io.scenarios.scenario_reader import load_scenario_bytes
from stillgate.sim_io.scenarios.scenario_writer import scenario_text
from stillgate.sim_io.simulation.operators import OperatorKind

MACHINES = Path(__file__).parents[3] / "machines"
HOUR = 3_600_000


def document(name: str) -> MachineDocument:
    return read_machine(MACHINES / name)


def soaked(name: str, *lines: str, hours: float = 20, jobs: int = 2, seed: int = 1) -> SoakResult:
    machine = document(name)
    given = parse_disturbances(lines, machine.machine) or contacts_bounce(machine.machine, free=False)
    return soak(machine, duration=int(hours * HOUR), seed=seed, disturbances=given, jobs=jobs)


STOP = "estop_release_restarts_no_drive"


def assert_found_and_replayed(name: str, lines: tuple[str, ...], requirements: set[str]) -> None:
    """Found in twenty hours, cut down to a few steps, and the file that is written breaks the same."""
    result = soaked(f"broken/{name}", *lines)
    found = result.violation
    assert found is not None
    assert found.requirement in requirements
    assert len(found.scenario.steps) <= 8
    assert found.broken_at <= found.time
    text = scenario_text(found.scenario)
    again = load_scenario_bytes(text.encode(), "x", document(f"broken/{name}"))
    assert again.scenario == found.scenario
    replayed = run_scenario(again)
    assert (found.broken_at, found.requirement) in {(item.time, item.requirement) for item in replayed.broken}


@pytest.mark.parametrize(
    ("name", "lines", "requirements"),
    [
        ("harvester_estop_pauses.yaml", (), {STOP, "either_estop_contact_stops"}),
        (
            "harvester_standstill_by_monitor_only.yaml",
            ("cutter_still stuck on",),
            {"standstill_before_arms", "frame_moves_at_standstill_only"},
        ),
        ("press_plain_and.yaml", (), {"release_before_next_stroke", "both_hands_while_closing"}),
        ("saw_start_by_level.yaml", (), {"start_is_pressed"}),
    ],
)
def test_a_planted_mistake_is_found_cut_down_and_confirmed(
    name: str, lines: tuple[str, ...], requirements: set[str]
) -> None:
    assert_found_and_replayed(name, lines, requirements)


@pytest.mark.night
@pytest.mark.parametrize(
    ("name", "lines", "requirements"),
    [
        (
            "harvester_arms_without_standstill.yaml",
            (),
            {"standstill_before_arms", "arms_asked_at_rest_only"},
        ),
        (
            "harvester_lever_held_through_estop.yaml",
            (),
            {"estop_release_moves_no_arm", "either_estop_contact_stops", "lever_starts_from_neutral"},
        ),
        (
            "harvester_restart_ignores_frame.yaml",
            (),
            {
                "no_drive_with_loose_frame",
                "no_restart_while_frame_moves",
                "drives_asked_with_all_in_place",
                "new_rail_counts_from_zero",
            },
        ),
        (
            "harvester_starts_on_power.yaml",
            (),
            {"no_restart_without_press", STOP, "power_return_restarts_nothing"},
        ),
        (
            "harvester_two_steering_sequences.yaml",
            (),
            {
                "opposed_valves_never_asked",
                "opposed_valves_never_on",
                "steers_away_from_one_feeler",
                "steers_for_a_while_only",
            },
        ),
        ("saw_guard_not_in_interlock.yaml", (), {"reset_before_restart", "no_start_with_open_guard"}),
        ("saw_unlocks_at_once.yaml", (), {"unlocks_at_standstill_only", "guard_open_blade_still"}),
        ("press_one_contact.yaml", (), {"release_before_next_stroke", "both_hands_while_closing"}),
    ],
)
def test_every_planted_mistake_that_needs_no_fault_is_found(
    name: str, lines: tuple[str, ...], requirements: set[str]
) -> None:
    assert_found_and_replayed(name, lines, requirements)


def test_a_mistake_that_needs_a_fault_is_found_with_one_a_shift() -> None:
    """One valve feeds the cylinder: a spool that hangs closes the press."""
    machine = document("broken/press_one_valve.yaml")
    mishaps = stuck_faults(machine.machine)
    result = soak(
        machine,
        duration=50 * HOUR,
        seed=1,
        mishaps=mishaps,
        requirements=["both_hands_while_closing", "letting_go_stops"],
    )
    found = result.violation
    assert found is not None
    named = [*found.scenario.disturb, *(step.inject for step in found.scenario.steps if step.inject)]
    assert len(named) == 1
    assert named[0] in {item.name for item in mishaps}
    again = load_scenario_bytes(scenario_text(found.scenario).encode(), "x", machine)
    broken = {(item.time, item.requirement) for item in run_scenario(again).broken}
    assert (found.broken_at, found.requirement) in broken


def test_every_step_of_what_is_left_matters() -> None:
    """Left out, the requirement does not break any more."""
    found = soaked("broken/saw_start_by_level.yaml").violation
    assert found is not None
    for number in range(len(found.scenario.steps)):
        steps = [step for i, step in enumerate(found.scenario.steps) if i != number]
        shorter = found.scenario.model_copy(update={"steps": steps})
        result = run_scenario(document("broken/saw_start_by_level.yaml"), shorter)
        assert found.requirement not in {item.requirement for item in result.broken}


@pytest.mark.parametrize("name", ["lavender_harvester.yaml", "guarded_saw.yaml", "press_two_hand.yaml"])
def test_the_right_machines_show_no_violation(name: str) -> None:
    result = soaked(name, hours=30)
    assert result.violation is None
    assert result.simulated == result.asked == 30 * HOUR
    assert result.rate > 0
    assert len(result.never_taken) < 0.2 * len(result.exits)


def test_the_result_is_the_same_for_any_number_of_threads() -> None:
    results = [soaked("broken/saw_start_by_level.yaml", jobs=jobs) for jobs in (1, 2, 5)]
    first = results[0].violation
    assert first is not None
    for result in results[1:]:
        found = result.violation
        assert found is not None
        assert (found.shift, found.seed, found.scenario) == (first.shift, first.seed, first.scenario)
        assert result.simulated == results[0].simulated
        assert result.exits == results[0].exits


def test_another_seed_takes_another_way() -> None:
    found = {soaked("broken/saw_start_by_level.yaml", seed=seed).simulated for seed in range(3)}
    assert len(found) == 3


def test_a_soak_that_is_interrupted_says_how_far_it_came() -> None:
    def interrupt(progress: SoakProgress) -> None:
        if progress.simulated >= 20 * HOUR:
            raise KeyboardInterrupt

    result = soak(document("guarded_saw.yaml"), duration=1000 * HOUR, progress=interrupt)
    assert result.stopped
    assert 20 * HOUR <= result.simulated < 1000 * HOUR


def test_only_the_requirements_asked_for_are_watched() -> None:
    result = soak(
        document("broken/press_plain_and.yaml"),
        duration=2 * HOUR,
        requirements=["both_hands_while_closing"],
        operators=[OperatorKind.HOSTILE],
    )
    assert result.watched == ("both_hands_while_closing",)
    assert result.operators == (OperatorKind.HOSTILE,)
    assert result.violation is None


def test_a_counter_that_leaves_its_bounds_is_a_violation(tmp_path: Path) -> None:
    path = tmp_path / "count.yaml"
    path.write_text(
        """\
machine: count
scan: 20 ms
inputs: {go: {from: operator}}
outputs: {x: {}}
memory: {n: {range: 0..3, start: 0}}
sequences:
  s:
    start: a
    states:
      a: {on: [x], exits: [{when: rising(go), to: a, do: {n: n + 1}}]}
"""
    )
    found = soak(read_machine(path), duration=HOUR).violation
    assert found is not None
    assert found.requirement == "n in its bounds"
    assert len(found.scenario.steps) == 4
