"""What samples, and changes whose times are not exact, say of the scans; what a replay makes of it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pytest

from resampled import by_scan, csv_of
from stillgate.controller.errors import UsageError
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.diagnosis.diagnosis import diagnose
from stillgate.interlocks.replay.inexact_scans import ObservedLevel, inexact_stretches
from stillgate.interlocks.replay.log_replay import replay
from stillgate.interlocks.replay.output_explanation import why
from stillgate.sim_io.logs.change_capture import ChangeCapture
from stillgate.sim_io.logs.log import (
    ALIVE,
    CLOCK_SET,
    Change,
    Log,
    LogHeader,
    RowMeaning,
    Subject,
    Timing,
    Value,
    log_in_memory,
)
from stillgate.sim_io.logs.readers import read_log
from stillgate.sim_io.logs.readers.columns import ColumnMap
from stillgate.sim_io.logs.writers.traces import write_trace
from stillgate.sim_io.simulation.simulation import Simulation

TEXT = """\
machine: slide
scan: 20 ms
inputs: {go: {from: operator}, home: {}}
outputs: {motor: {}, reverse: {}}
parts:
  slide: {kind: travel, stops: [home, away], forward: motor, back: reverse, takes: 200..300 ms,
          senses: {home: at home}, starts: home}
sequences:
  main:
    start: resting
    states:
      resting: {exits: [{when: rising(go), to: moving}]}
      moving: {on: [motor], exits: [{after: 100 ms, to: returning}]}
      returning: {on: [reverse], exits: [{when: home, to: resting}]}
requirements:
  can_move: {reach: main.moving}
"""


@pytest.fixture(scope="module")
def slide() -> Machine:
    return read_machine_text(TEXT).machine


def log_of(timing: Timing, *told: tuple[int, Subject, str, Value], power_on: bool = False) -> Log:
    header = LogHeader("slide", scan=20, timing=timing, from_power_on=power_on)
    return log_in_memory(header, [Change(*item) for item in told])


def known_of(log: Log, name: str) -> list[Value]:
    """What is known of a signal, scan by scan from the first that a row may be about."""
    found: list[Value] = []
    for item in inexact_stretches(log, 20):
        value = next((value for (_, own), value in item.known.items() if own == name), None)
        found += [value] * (item.end - item.first)
    return found


def test_a_sample_is_of_some_scan_it_may_be_about_and_of_no_other() -> None:
    """At 107 ms, one scan of 20 ms away at most: scans 4 to 7."""
    log = log_of(
        Timing(RowMeaning.SAMPLES, 20), (107, Subject.INPUT, "home", 1), (107, Subject.OUTPUT, "motor", 1)
    )
    [stretch] = inexact_stretches(log, 20)
    assert (stretch.first, stretch.end) == (4, 8)
    assert stretch.observed == (ObservedLevel("home", 1, 7),)
    assert not stretch.known


def test_a_sample_of_one_scan_only_is_known_in_it_and_not_behind_it() -> None:
    log = log_of(
        Timing(RowMeaning.SAMPLES, 0),
        (100, Subject.OUTPUT, "motor", 1),
        (160, Subject.OUTPUT, "motor", 1),
        (180, Subject.OUTPUT, "motor", 0),
    )
    assert known_of(log, "motor") == [1, None, None, 1, 0, None]


def test_a_change_is_open_in_the_scans_it_may_have_happened_in() -> None:
    log = log_of(
        Timing(RowMeaning.CHANGES, 20), (0, Subject.INPUT, "go", 0), (100, Subject.INPUT, "go", 1),
        (160, Subject.INPUT, "go", 1), (200, Subject.EVENT, ALIVE, None),
    )  # fmt: skip
    assert known_of(log, "go") == [None, None, 0, 0, 0, None, None, 1, 1, 1, 1, 1, 1]


def test_changes_closer_than_their_accuracy_leave_the_value_between_them_open() -> None:
    log = log_of(
        Timing(RowMeaning.CHANGES, 40), (0, Subject.INPUT, "go", 0),
        (100, Subject.INPUT, "go", 1), (140, Subject.INPUT, "go", 0),
    )  # fmt: skip
    assert known_of(log, "go") == [None] * 4 + [0] + [None] * 6 + [0]


def test_a_log_from_power_on_is_known_from_its_first_scan_on() -> None:
    log = log_of(
        Timing(RowMeaning.CHANGES, 10),
        (7, Subject.INPUT, "go", 0),
        (107, Subject.INPUT, "go", 1),
        power_on=True,
    )
    assert known_of(log, "go") == [0, 0, 0, 0, None, None, 1]


def test_what_is_missing_is_open_until_it_is_told_again() -> None:
    log = log_of(
        Timing(RowMeaning.CHANGES, 20), (0, Subject.INPUT, "go", 0), (100, Subject.INPUT, "go", None),
        (200, Subject.INPUT, "go", 0),
    )  # fmt: skip
    assert known_of(log, "go") == [None, None, 0, 0, 0, *[None] * 7, 0]


# -- a run, told in other ways -------------------------------------------------------------------


def run_of(machine: Machine, scans: int = 60) -> Log:
    """Twice somebody presses the button; the slide goes half the way and returns."""
    simulation = Simulation(machine, seed=1)
    capture = ChangeCapture(simulation.executive)
    changes: list[Change] = []
    for scan in range(scans):
        simulation.set_input("go", scan in (10, 11, 30, 31, 32))
        simulation.step()
        changes += capture.look()
    changes.append(Change((scans - 1) * machine.scan, Subject.EVENT, ALIVE, None))
    return log_in_memory(
        LogHeader(machine.machine, scan=20, signals=capture.signals, from_power_on=True), changes
    )


def csv_log(log: Log, machine: Machine, path: Path, layout: str, times: Iterable[int] = ()) -> Log:
    """The run with a row for each scan, at other times if any are given."""
    scans = by_scan(log.changes(), machine.scan)
    rows = list(zip(times or range(0, len(scans) * 20, 20), scans, strict=False))
    csv_of(rows, list(scans[0]), path / "slide.csv")
    plan = path / "map.yaml"
    plan.write_text(layout)
    return read_log(path / "slide.csv", machine, columns=plan)


def test_rows_of_every_scan_are_as_good_as_the_recorders_log(slide: Machine, tmp_path: Path) -> None:
    log = csv_log(run_of(slide), slide, tmp_path, "{accuracy: 0 ms, begins: at power-on}")
    found = replay(log, slide)
    assert (found.divergence, found.untold) == (None, 0)
    exact, loose = (diagnose(item, slide)[0] for item in (run_of(slide), log))
    assert exact.survivors == loose.survivors
    assert exact.refuted == loose.refuted


def test_the_same_rows_as_samples_say_that_nothing_can_be_told(slide: Machine, tmp_path: Path) -> None:
    for layout in ("{every: 20 ms, begins: at power-on}", "{}"):
        log = csv_log(run_of(slide), slide, tmp_path, layout)
        found = replay(log, slide)
        assert found.divergence is None
        assert found.untold == found.scans - found.begins
        assert not found.broken
        told = diagnose(log, slide)[0]
        assert told.healthy
        assert not told.decided


def test_a_replay_of_changes_runs_every_scan_that_may_have_seen_them(slide: Machine, tmp_path: Path) -> None:
    """The rows stand anywhere between two scans; a controller that computes something else still parts."""
    times = [0, *(scan * 20 + scan * 7 % 20 for scan in range(1, 60))]
    layout = "{accuracy: 20 ms, begins: at power-on}"
    found = replay(csv_log(run_of(slide), slide, tmp_path, layout, times), slide)
    assert found.divergence is None
    assert 0 < found.untold < 40
    other = read_machine_text(TEXT.replace("after: 100 ms", "after: 300 ms")).machine
    divergence = replay(csv_log(run_of(slide), other, tmp_path, layout, times), other).divergence
    assert divergence is not None
    assert divergence.sure
    assert 300 <= divergence.time <= 400


def test_why_an_output_was_on_is_not_said_where_the_log_leaves_it_open(
    slide: Machine, tmp_path: Path
) -> None:
    log = csv_log(run_of(slide), slide, tmp_path, "{every: 20 ms}")
    with pytest.raises(UsageError, match="why motor was as it was cannot be told from this log"):
        why(log, slide, "motor", 300)


@pytest.mark.parametrize("suffix", ["csv", "parquet"])
def test_samples_are_not_written_as_a_trace_that_claims_exact_times(
    slide: Machine, tmp_path: Path, suffix: str
) -> None:
    log = csv_log(run_of(slide), slide, tmp_path, "{every: 20 ms}")
    with pytest.raises(UsageError, match="only samples"):
        write_trace(log, tmp_path / f"trace.{suffix}")
    write_trace(log, tmp_path / "trace.vcd")
    changes = csv_log(run_of(slide), slide, tmp_path, "{accuracy: 20 ms}")
    with pytest.raises(UsageError, match="times that are not exact"):
        write_trace(changes, tmp_path / f"trace.{suffix}")


# -- what is missing, and a clock that is set ------------------------------------------------------


def clock_set_back(slide: Machine, path: Path, layout: str) -> Log:
    """Between two scans, while the motor runs, somebody sets the clock an hour back."""
    times = [7_200_000 + scan * 20 - (3_600_000 if scan >= 33 else 0) for scan in range(60)]
    return csv_log(run_of(slide), slide, path, layout, times)


def test_a_clock_that_was_set_costs_no_scan_and_blames_nobody(slide: Machine, tmp_path: Path) -> None:
    """It goes on as if the next row had come in time; what differs all the same is not told as parting."""
    log = clock_set_back(slide, tmp_path, "{accuracy: 0 ms, clock: continue}")
    found = replay(log, slide)
    assert found.divergence is None
    assert found.untold
    lost = [item for item in log.changes() if item.name == CLOCK_SET]
    assert [item.time % 20 for item in lost] == [0]
    told, _, _ = diagnose(log, slide)
    assert told.healthy


def test_after_a_clock_that_was_set_a_difference_is_not_sure(slide: Machine, tmp_path: Path) -> None:
    scans = by_scan(run_of(slide).changes(), 20)
    kept = [*scans[:33], *scans[35:]]  # the clock was set, and two scans passed that nobody logged
    times = [7_200_000 + i * 20 - (3_600_000 if i >= 33 else 0) for i in range(len(kept))]
    csv_of(zip(times, kept, strict=True), list(scans[0]), tmp_path / "s.csv")
    layout = ColumnMap.model_validate(
        {"accuracy": "0 ms", "clock": "continue", "begins": "at power-on"}, by_name=False, by_alias=True
    )
    found = replay(read_log(tmp_path / "s.csv", slide, columns=layout), slide)
    assert found.divergence is not None
    assert not found.divergence.sure


def test_agreement_in_every_scan_is_not_claimed_where_rows_are_missing(
    slide: Machine, tmp_path: Path
) -> None:
    log = csv_log(run_of(slide), slide, tmp_path, "{accuracy: 0 ms, begins: at power-on}")
    assert replay(log, slide).untold == 0
    path = tmp_path / "slide.csv"
    lines = path.read_text().splitlines()
    lines[20] = "spoilt"
    path.write_text("\n".join(lines) + "\n")
    assert replay(log, slide).untold == 1
