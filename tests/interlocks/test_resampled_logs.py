"""A log that leaves open what was between its rows never makes a diagnosis or a replay say what is false.

Runs of simulated machines, healthy and with a hidden fault, as another logger would have written them:
as samples every 20 to 500 ms at any shift, as frames of a CAN bus, as changes whose times are off. What
holds: of a healthy run no fault is named and the controller is not blamed; a true fault is never ruled out.
"""

from __future__ import annotations

import random
import runpy
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from diagnosed_runs import disturbance_for as simulated
from resampled import Scans, by_scan, changed_csv, sampled_can, sampled_csv, samples
from seen_runs import BENCH, disturbance_for, machines
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.interlocks.diagnosis.diagnosis import diagnose
from stillgate.interlocks.diagnosis.explanations import Diagnosis
from stillgate.interlocks.diagnosis.hypotheses import NOTHING, FieldFault, Hypothesis, hypotheses_of
from stillgate.interlocks.replay.log_replay import replay
from stillgate.sim_io.logs.change_capture import ChangeCapture
from stillgate.sim_io.logs.log import (
    ALIVE,
    Change,
    Log,
    LogHeader,
    RowMeaning,
    Subject,
    Timing,
    log_in_memory,
)
from stillgate.sim_io.logs.readers import read_log
from stillgate.sim_io.simulation.operators import OperatorKind
from stillgate.sim_io.simulation.simulation import Simulation
from working_days import DAYS

pytestmark = pytest.mark.usefixtures("unoptimised_commands")

MACHINES = Path(__file__).parents[2] / "machines"
LOGS = MACHINES / "field_logs"
HIDDEN = runpy.run_path(str(LOGS / "make.py"))["HIDDEN"]
NAMES = ("guarded_saw", "press_two_hand", "lavender_harvester")


@cache
def machine_of(name: str) -> Machine:
    return read_machine(MACHINES / f"{name}.yaml").machine


@cache
def working_day(name: str, true: Hypothesis = NOTHING, seed: int = 1, scans: int = 1500) -> Scans:
    """Somebody works the machine; the fault begins after a third."""
    machine = machine_of(name)
    by_day = name in DAYS
    simulation = Simulation(machine, seed=seed, operator=None if by_day else OperatorKind.SENSIBLE)
    day = DAYS[name](simulation, seed) if by_day else None
    capture = ChangeCapture(simulation.executive)
    changes: list[Change] = []
    for scan in range(scans):
        disturbance = simulated(true)
        if scan == scans // 3 and disturbance is not None:
            simulation.inject(disturbance)
        if day is not None:
            day.act()
        simulation.step()
        changes += capture.look()
    changes.append(Change((scans - 1) * machine.scan, Subject.EVENT, ALIVE, None))
    return by_scan(changes, machine.scan)


def found_in(log: Log, machine: Machine) -> Diagnosis:
    return diagnose(log, machine, power_off_is_normal=True)[0]


def survivors(found: Diagnosis) -> set[Hypothesis]:
    return {item.hypothesis for item in found.survivors} | set(found.not_begun)


def resampled(scans: Scans, machine: Machine, path: Path, chance: random.Random) -> Iterator[Log]:
    """The run as three other loggers would have written it."""
    every, shift = chance.randint(20, 500), chance.randrange(500)
    yield sampled_csv(scans, machine, path / "samples.csv", every, shift)
    yield sampled_can(scans, machine, path / "frames.txt", every, shift)
    yield changed_csv(scans, machine, path / "changes.csv", chance.randint(1, 3) * machine.scan, every)


def judge_healthy(name: str, path: Path, seed: int, scans: int) -> None:
    machine, chance = machine_of(name), random.Random(seed)
    for log in resampled(working_day(name, seed=seed, scans=scans), machine, path, chance):
        found = found_in(log, machine)
        assert found.healthy, f"{log.source} {[item.hypothesis.name for item in found.survivors]}"
        assert not found.decided
        told = replay(log, machine)
        assert told.divergence is None, log.source
        assert told.untold


@pytest.mark.parametrize(("name", "scans"), [("guarded_saw", 600), ("press_two_hand", 300)])
def test_of_a_healthy_run_sampled_anyhow_no_fault_is_named(name: str, scans: int, tmp_path: Path) -> None:
    judge_healthy(name, tmp_path, seed=3, scans=scans)


@pytest.mark.night
@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("name", NAMES)
def test_of_many_healthy_runs_sampled_anyhow_no_fault_is_named(name: str, seed: int, tmp_path: Path) -> None:
    judge_healthy(name, tmp_path, seed, scans=3000)


def field_scans(name: str, first: int, last: int) -> Scans:
    machine = machine_of("lavender_harvester")
    return by_scan(read_log(LOGS / name, machine).changes(), machine.scan)[first:last]


def judge_field_log(name: str, scans: Scans, path: Path, seed: int, kinds: int = 3) -> None:
    machine = machine_of("lavender_harvester")
    fault = HIDDEN[name][0]
    spelled = f"{fault.split()[0]} intermittent" if "intermittent" in fault else fault
    for log in list(resampled(scans, machine, path, random.Random(seed)))[:kinds]:
        found = found_in(log, machine)
        assert (spelled or "nothing wrong") in {item.name for item in survivors(found)}, log.source


def test_a_field_log_sampled_does_not_rule_out_the_true_fault(tmp_path: Path) -> None:
    """Some seconds of it, in which the fault shows; all of all five at night."""
    judge_field_log("tuesday.log", field_scans("tuesday.log", 1400, 1900), tmp_path, seed=1, kinds=1)


@pytest.mark.night
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", sorted(HIDDEN))
def test_no_field_log_sampled_rules_out_the_true_fault(name: str, seed: int, tmp_path: Path) -> None:
    judge_field_log(name, field_scans(name, 0, 10**6), tmp_path, seed)


def test_a_fault_that_no_healthy_machine_can_show_is_named_from_samples_too(tmp_path: Path) -> None:
    """So that the tests above are not passed by saying nothing: bottom and top of the ram at once."""
    machine = machine_of("press_two_hand")
    stuck = next(item for item in hypotheses_of(machine) if item.name == "ram_down stuck on")
    scans = working_day("press_two_hand", stuck, seed=2, scans=1200)
    found = found_in(sampled_csv(scans, machine, tmp_path / "s.csv", 100, 7), machine)
    assert not found.healthy
    assert stuck in survivors(found)
    assert found.decided
    assert len(found.survivors) <= 2


def test_changes_within_an_accuracy_still_tell_most_of_what_exact_ones_do(tmp_path: Path) -> None:
    machine = machine_of("guarded_saw")
    stuck = next(item for item in hypotheses_of(machine) if item.name == "k1_off stuck on")
    scans = working_day("guarded_saw", stuck, seed=2, scans=1500)
    found = found_in(changed_csv(scans, machine, tmp_path / "c.csv", machine.scan, 1), machine)
    assert not found.healthy
    assert stuck in survivors(found)
    assert len(found.survivors) <= 6


# -- machines made by chance ---------------------------------------------------------------------


def run_of(machine: Machine, true: Hypothesis, scans: int, begins: int, data: st.DataObject) -> Scans:
    """A run under a hypothesis, as a log of every scan has it."""
    kind = data.draw(st.sampled_from((OperatorKind.CLUMSY, OperatorKind.HOSTILE)))
    simulation = Simulation(machine, seed=data.draw(st.integers(0, 999)), operator=kind)
    capture = ChangeCapture(simulation.executive)
    changes: list[Change] = []
    for scan in range(scans):
        disturbance = disturbance_for(true)
        if scan == begins and disturbance is not None:
            simulation.inject(disturbance)
        simulation.step()
        changes += capture.look()
    changes.append(Change((scans - 1) * machine.scan, Subject.EVENT, ALIVE, None))
    return by_scan(changes, machine.scan)


def told_by_chance(scans: Scans, machine: Machine, data: st.DataObject) -> Log:
    """The run by a logger made by chance: samples or changes, some signals only, from some scan on."""
    period = machine.scan
    begins = data.draw(st.integers(0, len(scans) // 2))
    rest = scans[begins:]
    signals = tuple(dict.fromkeys(signal for row in rest for signal in row))
    kept = tuple(item for item in signals if data.draw(st.integers(0, 5)))
    meaning = data.draw(st.sampled_from((RowMeaning.SAMPLES, RowMeaning.CHANGES)))
    off = data.draw(st.integers(1, 3 * period))
    changes: list[Change] = []
    if meaning is RowMeaning.SAMPLES:
        every = data.draw(st.integers(1, 8 * period))
        for time, row in samples(rest, period, every, data.draw(st.integers(0, 3 * period))):
            changes += [Change(time, *item, row[item]) for item in kept if item in row]
        accuracy = period
    else:
        chance, last = random.Random(data.draw(st.integers(0, 999))), 0
        for scan, row in enumerate(rest):
            last = max(last, scan * period + off + chance.randint(-off, off))
            before = rest[scan - 1] if scan else {}
            changes += [
                Change(last, *item, row[item])
                for item in kept
                if item in row and (not scan or row[item] != before.get(item))
            ]
        accuracy = 2 * off
    header = LogHeader(
        machine.machine, scan=period, signals=kept, timing=Timing(meaning, accuracy),
        from_power_on=begins == 0 and meaning is RowMeaning.CHANGES and data.draw(st.booleans()),
    )  # fmt: skip
    return log_in_memory(header, changes)


def judge_any_machine(data: st.DataObject) -> None:
    machine = data.draw(machines())
    under = [item for item in hypotheses_of(machine) if item.trouble is not FieldFault.POWER]
    true = data.draw(st.sampled_from([NOTHING, *under]))
    length = data.draw(st.integers(4, 60))
    scans = run_of(machine, true, length, data.draw(st.integers(0, length - 1)), data)
    log = told_by_chance(scans, machine, data)
    found = found_in(log, machine)
    assert true in survivors(found), [item for item in found.refuted if item.hypothesis == true]
    if true == NOTHING:
        assert found.healthy
    told = replay(log, machine)
    assert told.divergence is None
    event(f"ruled out something: {bool(found.refuted)}")
    event(f"named a fault: {not found.healthy}")
    event(f"scans told: {told.untold < told.scans - told.begins}")


@settings(max_examples=10, deadline=None)
@given(st.data())
def test_of_any_machine_the_truth_is_never_ruled_out_however_it_was_logged(data: st.DataObject) -> None:
    judge_any_machine(data)


@pytest.mark.night
@settings(max_examples=1500, deadline=None)
@given(st.data())
def test_of_many_machines_the_truth_is_never_ruled_out_however_they_were_logged(data: st.DataObject) -> None:
    judge_any_machine(data)


@settings(max_examples=8, deadline=None)
@given(st.data())
def test_what_an_exact_log_leaves_open_no_looser_one_of_the_same_run_rules_out(data: st.DataObject) -> None:
    """Also where the run is not one of the machine at all."""
    machine = read_machine_text(BENCH).machine
    true = data.draw(
        st.sampled_from([i for i in hypotheses_of(machine) if i.trouble is not FieldFault.POWER])
    )
    scans = [dict(row) for row in run_of(machine, true, 40, data.draw(st.integers(0, 39)), data)]
    name = data.draw(st.sampled_from(list(machine.inputs)))
    for row in scans[data.draw(st.integers(0, 39)) :][: data.draw(st.integers(0, 5))]:
        row[Subject.INPUT, name] = data.draw(st.integers(0, 1))
    exact: list[Change] = []
    for scan, row in enumerate(scans):
        exact += [Change(scan * machine.scan, *item, value) for item, value in row.items()]
    header = LogHeader(machine.machine, scan=machine.scan, signals=tuple(scans[0]))
    whole = found_in(log_in_memory(header, exact), machine)
    every, shift = data.draw(st.integers(1, 80)), data.draw(st.integers(0, 30))
    sampled = [
        Change(time, *item, value)
        for time, row in samples(scans, machine.scan, every, shift)
        for item, value in row.items()
    ]
    loose = replace(header, timing=Timing(RowMeaning.SAMPLES, machine.scan))
    if sampled:
        assert survivors(whole) <= survivors(found_in(log_in_memory(loose, sampled), machine))
