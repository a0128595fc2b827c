"""The recorder: everything that changes is on disk, and no disk ever stops the controller."""

from __future__ import annotations

import mmap
import os
import resource
import shutil
import signal
import sys
import time
import warnings
from datetime import UTC, datetime, timedelta
from itertools import cycle, islice
from pathlib import Path
from random import Random
from typing import Any

import pytest

from recordings import RUN, TEXT, assert_claims_nothing_false, door, play, record_run
from stillgate.controller.reading.reader import read_machine_text
from stillgate.sim_io.logs.log import Change, Subject, signals_of
from stillgate.sim_io.logs.log_records import RecordKind, decode_record
from stillgate.sim_io.logs.log_trouble import TroubleKind
from stillgate.sim_io.logs.readers import read_log
from stillgate.sim_io.logs.recorder import ALIVE_AFTER, ALL_EVERY, Recorder, RecorderWarning
from stillgate.sim_io.logs.recorder_file import earlier_parts
from stillgate.sim_io.simulation.simulation import Simulation

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="needs signals, limits and devices of POSIX")


NEXT_DAY = datetime(2026, 1, 2, tzinfo=UTC)


def kinds(path: Path) -> list[RecordKind]:
    return [record.kind for line in path.read_bytes().splitlines() if (record := decode_record(line))]


def test_every_change_of_every_signal_is_in_the_log(tmp_path: Path) -> None:
    """Against a list kept by hand beside the executive, scan by scan."""
    simulation = Simulation(door())
    executive = simulation.executive
    expected: dict[int, dict[str, object]] = {}
    with Recorder(tmp_path / "door.log", executive, machine="door") as recorder:
        for step in RUN:
            play(simulation, recorder, [step])
            powered = executive.powered
            expected[executive.time_ms] = {
                "power": int(powered),
                **{name: int(level) if powered else None for name, level in executive.inputs.items()},
                **{name: state or "" for name, state in executive.states.items()},
                **{name: int(value) if powered else None for name, value in executive.memory.items()},
                **{name: int(level) for name, level in executive.outputs.items()},
            }
    now: dict[str, object] = {}
    changes = list(read_log(tmp_path / "door.log", door()).changes())
    for at, values in expected.items():
        for change in changes:
            if change.time == at and change.subject is not Subject.EVENT:
                now[change.name] = change.value
        assert now == values, at


def test_the_header_says_what_was_recorded_and_with_which_file(tmp_path: Path) -> None:
    record_run(tmp_path / "door.log")
    header = read_log(tmp_path / "door.log").header
    assert (header.machine, header.digest, header.scan) == ("door", "d" * 64, 20)
    assert header.signals == signals_of(door())


def test_power_that_blinks_between_two_scans_is_told_as_off_and_on(tmp_path: Path) -> None:
    record_run(tmp_path / "door.log", ["scan", ("button", True), "blink"])
    told = [c.value for c in read_log(tmp_path / "door.log").changes() if c.subject is Subject.POWER]
    assert told == [1, 0, 1]


def test_a_record_a_minute_says_that_the_controller_still_scans(tmp_path: Path) -> None:
    record_run(tmp_path / "door.log", ["scan"] * (2 * ALIVE_AFTER // 20 + 10))
    alive = [c.time for c in read_log(tmp_path / "door.log").changes() if c.name == "alive"]
    assert alive == [ALIVE_AFTER, 2 * ALIVE_AFTER]


def test_everything_is_told_again_after_a_thousand_records(tmp_path: Path) -> None:
    steps = islice(cycle([("low_pin", True), ("low_pin", False)]), 2500)
    record_run(tmp_path / "door.log", steps)
    assert kinds(tmp_path / "door.log").count(RecordKind.ALL) == 3


def test_everything_is_told_again_by_the_first_change_a_minute_later(tmp_path: Path) -> None:
    quiet = ["scan"] * (ALL_EVERY // 20)
    steps = [("low_pin", True), *quiet, ("low_pin", False), ("low_pin", True), *quiet, "scan"]
    record_run(tmp_path / "door.log", steps)
    assert kinds(tmp_path / "door.log").count(RecordKind.ALL) == 2


def test_events_have_a_name_and_any_text(tmp_path: Path) -> None:
    simulation = Simulation(door())
    with Recorder(tmp_path / "door.log", simulation.executive) as recorder:
        recorder.event("overrun", 'a "scan"\nof 31 ms')
        with pytest.raises(ValueError, match="one word"):
            recorder.event("two words", "")
    events = [c for c in read_log(tmp_path / "door.log", door()).changes() if c.name == "overrun"]
    assert events == [Change(0, Subject.EVENT, "overrun", 'a "scan"\nof 31 ms')]


def test_a_counter_driven_out_of_its_bounds_is_an_event(tmp_path: Path) -> None:
    stroke = [("button", True), ("shut", True), ("button", False), ("shut", False)]
    record_run(tmp_path / "door.log", [step for _ in range(7) for step in stroke])
    events = [c.value for c in read_log(tmp_path / "door.log").changes() if c.name == "left_bounds"]
    assert events == ["strokes", "strokes"]


# -- cut off, killed, altered ----------------------------------------------------------------


def test_a_log_cut_at_any_byte_loses_at_most_the_record_that_was_cut(tmp_path: Path) -> None:
    path, cut = tmp_path / "door.log", tmp_path / "cut.log"
    record_run(path)
    content = path.read_bytes()
    truth = list(read_log(path, door()).changes())
    ends = [place + 1 for place, byte in enumerate(content) if byte == ord("\n")]
    times = [record.time for line in content.splitlines() if (record := decode_record(line))]
    for size in range(ends[0], len(content) + 1):
        cut.write_bytes(content[:size])
        log = read_log(cut, door())
        whole = sum(end - 1 <= size for end in ends)  # whole but for its line break is whole
        expected = [c for c in truth if c.time <= times[whole - 1]] if whole > 1 else []
        found = list(log.changes())
        assert found[: len(expected)] == expected[: len(found)]
        assert len(found) == len(expected) or times[whole] == times[whole - 1]
        torn = [trouble.kind for trouble in log.trouble()]
        assert torn == ([] if {size, size + 1} & set(ends) else [TroubleKind.TORN]), size


def test_a_recorder_cuts_a_torn_tail_off_and_says_so_in_the_log(tmp_path: Path) -> None:
    path, cut = tmp_path / "door.log", tmp_path / "cut.log"
    record_run(path, clock=lambda: datetime(2026, 1, 1, tzinfo=UTC))
    content = path.read_bytes()
    last = content.rstrip(b"\n").rfind(b"\n") + 1
    sizes = {*range(1, len(content), 41), *range(last - 3, len(content) + 1)}
    for size in sorted(sizes):
        cut.write_bytes(content[:size])
        said: list[str] = []
        recorder = record_run(cut, ["scan"], report=said.append, clock=lambda: NEXT_DAY)
        torn = size - (content[:size].rfind(b"\n") + 1)
        assert recorder.status.cut == torn
        assert not recorder.status.failure
        assert [f"{torn} bytes of a torn record were cut off" in text for text in said] == [True] * bool(torn)
        log = read_log(cut, door())
        events = [c.value for c in log.changes() if c.name == "cut"]
        assert events == [f"{torn} bytes of a torn record were cut off"] * bool(torn)
        assert {trouble.kind for trouble in log.trouble()} <= {TroubleKind.RESTART}


@POSIX
@pytest.mark.parametrize("kills", [100, pytest.param(20_000, marks=pytest.mark.night)])
def test_a_process_that_is_killed_loses_at_most_the_record_it_was_writing(tmp_path: Path, kills: int) -> None:
    """Each kill is at another moment of a process that does nothing but scan and record."""
    path = tmp_path / "door.log"
    told = mmap.mmap(-1, 8)  # shared with the child: how many records it has been told are written
    simulation = Simulation(door())
    cuts = before = 0
    for kill in range(kills):
        if kill % 50 == 0:
            path.unlink(missing_ok=True)
            before = 0
        told[:] = (0).to_bytes(8, "little")
        child = os.fork()
        if child == 0:
            _scan_for_ever(path, simulation, told)
        while int.from_bytes(told[:], "little") < 2:
            time.sleep(0.0005)
        time.sleep(0.0001 * (kill % 17))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        written = int.from_bytes(told[:], "little")
        content = path.read_bytes()
        *lines, tail = content.split(b"\n")
        assert all(decode_record(line) for line in lines[-50:])
        assert written <= len(lines) - before <= written + 4  # a scan writes four records at most
        cuts += bool(tail)
        before = len(lines)


def _scan_for_ever(path: Path, simulation: Simulation, told: mmap.mmap) -> None:
    """The child: never returns."""
    try:
        recorder = Recorder(path, simulation.executive, machine="door", report=lambda text: None)
        for step in cycle([("low_pin", True), ("low_pin", False)]):
            play(simulation, recorder, [step])
            told[:] = recorder.status.records.to_bytes(8, "little")
    finally:
        os._exit(1)


# -- disks that do not take it ---------------------------------------------------------------


@POSIX
def test_a_full_disk_is_reported_once_and_the_controller_keeps_scanning(tmp_path: Path) -> None:
    simulation = Simulation(door())
    said: list[str] = []
    recorder = Recorder("/dev/full", simulation.executive, machine="door", report=said.append)
    play(simulation, recorder, [*RUN, *["scan"] * 200])
    recorder.close()
    assert simulation.executive.scans == len(RUN) + 200
    assert said == [
        "/dev/full: the log cannot be written: No space left on device; the controller goes on without it"
    ]
    assert recorder.status.failure == "No space left on device"
    assert recorder.status.lost > 10
    assert recorder.status.records == 0


@POSIX
def test_a_disk_that_fills_up_loses_records_whole_and_says_how_many(tmp_path: Path) -> None:
    """The limit of the size of files stands for the end of the disk; it cuts writes short like it."""
    path = tmp_path / "door.log"
    simulation = Simulation(door())
    said: list[str] = []
    recorder = Recorder(path, simulation.executive, machine="door", report=said.append)
    busy = [("low_pin", True), ("low_pin", False)]
    truth: list[Change] = []
    with Recorder(tmp_path / "truth.log", simulation.executive, machine="door") as witness:
        play(simulation, recorder, ["scan"])
        limits = resource.getrlimit(resource.RLIMIT_FSIZE)
        old = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        try:
            resource.setrlimit(resource.RLIMIT_FSIZE, (path.stat().st_size + 777, limits[1]))
            for step in islice(cycle(busy), 60):
                play(simulation, recorder, [step])
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)
            signal.signal(signal.SIGXFSZ, old)
        assert recorder.status.failure == "File too large"
        play(simulation, recorder, islice(cycle(busy), 60))
        witness.record()
    assert not recorder.status.failure
    recorder.close()
    assert [text.partition(": ")[2].partition(":")[0] for text in said] == [
        "the log cannot be written", "the log is written again; " + said[1].partition("again; ")[2],
    ]  # fmt: skip
    assert all(decode_record(line) for line in path.read_bytes().splitlines())
    log = read_log(path, door())
    truth = list(log.changes())
    lost = next(item for item in log.trouble() if item.kind is TroubleKind.LOST)
    assert f"{recorder.status.lost} records" in lost.examples[0].quote
    assert any(change.value is None for change in truth)  # unknown in between


@pytest.mark.parametrize("place", ["missing/door.log", "a_file/door.log", "folder", "bad\0name"], ids=repr)
def test_a_place_that_cannot_be_written_is_reported_and_scanned_past(tmp_path: Path, place: str) -> None:
    (tmp_path / "a_file").write_text("")
    (tmp_path / "folder").mkdir()
    said: list[str] = []
    recorder = record_run(tmp_path / place, report=said.append)
    assert len(said) == 1
    assert recorder.status.failure
    assert recorder.status.failures == 1


@POSIX
@pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="root may write everywhere")
def test_a_read_only_folder_is_reported_and_scanned_past(tmp_path: Path) -> None:
    folder = tmp_path / "folder"
    folder.mkdir(mode=0o500)
    said: list[str] = []
    recorder = record_run(folder / "door.log", report=said.append)
    assert "Permission denied" in said[0]
    assert recorder.status.lost > 0


def test_a_folder_that_appears_later_is_found_and_what_is_missing_is_told(tmp_path: Path) -> None:
    path = tmp_path / "stick" / "door.log"
    simulation = Simulation(door())
    said: list[str] = []
    recorder = Recorder(path, simulation.executive, machine="door", report=said.append)
    play(simulation, recorder, RUN)
    path.parent.mkdir()
    play(simulation, recorder, ["scan"] * 60)
    recorder.close()
    assert kinds(path) == [RecordKind.LOG, RecordKind.LOST, RecordKind.ALL, RecordKind.END]
    assert "written again" in said[-1]


def test_without_a_callback_a_warning_is_issued(tmp_path: Path) -> None:
    with pytest.warns(RecorderWarning, match="the log cannot be written: Is a directory"):
        Recorder(tmp_path, Simulation(door()).executive)


def test_a_file_of_somebody_else_is_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "door.log"
    for content in (b"time;value\n1;2\n", b"hello", "Türöffnung\n".encode() * 99_999, b"12 apples"):
        path.write_bytes(content)
        recorder = record_run(path, report=lambda text: None)
        assert "not a log of this recorder" in recorder.status.failure
        assert path.read_bytes() == content


def damaged_by(kind: str, content: bytes, place: int, length: int) -> bytes:
    """What a computer may leave that lost its power in a write: a stretch of something else."""
    random = Random(place)
    stretch = {"zeros": bytes(length), "ones": b"\xff" * length, "noise": random.randbytes(length)}[kind]
    return content[:place] + stretch[: max(0, len(content) - place)] + content[place + length :]


@pytest.mark.parametrize("kind", ["zeros", "ones", "noise"])
def test_no_garbage_keeps_a_recorder_from_starting(tmp_path: Path, kind: str) -> None:
    """Sectors and pages of 512 and 4096 bytes (common practice, no source), anywhere in the file."""
    record_run(tmp_path / "whole.log", islice(cycle(RUN), 400))
    whole = (tmp_path / "whole.log").read_bytes()
    small = whole[:300]
    truth = list(read_log(tmp_path / "whole.log", door()).changes())
    for number, (content, length) in enumerate(((whole, 512), (whole, 4096), (small, 512))):
        for place in range(0, len(content), max(length, len(content) // 8 // length * length)):
            folder = tmp_path / f"{kind}{number}_{place}"
            folder.mkdir()
            path = folder / "door.log"
            path.write_bytes(damaged_by(kind, content, place, length))
            before = path.read_bytes()
            said: list[str] = []
            recorder = record_run(path, ["scan", ("button", True)], report=said.append)
            assert not recorder.status.failure, (kind, place, length)
            assert recorder.status.lost == 0
            assert kinds(path)[-1] is RecordKind.END
            if place == 0:
                (away,) = folder.glob("door.damaged.*.log")
                assert away.read_bytes() == before, "no byte is lost"
                assert said[0].startswith(f"{path}: its beginning is damaged; it was put away as {away.name}")
                assert read_log(path, door()).changes()
                if content is whole:
                    assert_claims_nothing_false(read_log(away, door()), truth)


def test_a_damaged_first_line_is_put_away_with_the_rest_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "door.log"
    for number in (1, 2):
        record_run(path)
        content = path.read_bytes()
        path.write_bytes(b"9" + content[1:])
        said: list[str] = []
        recorder = record_run(path, report=said.append)
        assert (recorder.status.failure, recorder.status.parts) == ("", 1)
        assert (tmp_path / f"door.damaged.{number:04}.log").read_bytes() == b"9" + content[1:]
        assert [c.name for c in read_log(path, door()).changes()].count("begun_anew") == 1
        assert read_log(path, door()).trouble() == ()


@POSIX
@pytest.mark.parametrize("how", ["moved", "deleted", "replaced", "folder"])
def test_a_file_that_is_moved_or_deleted_is_noticed_within_a_minute(tmp_path: Path, how: str) -> None:
    path = tmp_path / "logs" / "door.log"
    path.parent.mkdir()
    simulation = Simulation(door())
    said: list[str] = []
    recorder = Recorder(path, simulation.executive, machine="door", report=said.append)
    play(simulation, recorder, RUN)
    match how:
        case "moved":
            path.rename(tmp_path / "yesterday.log")
        case "deleted":
            path.unlink()
        case "replaced":
            record_run(tmp_path / "other.log")
            (tmp_path / "other.log").replace(path)
        case _:
            shutil.rmtree(path.parent)
    play(simulation, recorder, ["scan"] * (60_000 // 20))
    if how == "folder":
        assert "cannot be written" in said[0]
        path.parent.mkdir()
        play(simulation, recorder, ["scan"] * 60)
    else:
        assert said == [
            f"{path}: the file was moved, deleted or replaced; what was written since then is there, "
            "and a new log is begun"
        ]
    play(simulation, recorder, [("low_pin", True), ("low_pin", False)])
    recorder.close()
    log = read_log(path, door())
    lamp = [c.value for c in log.changes() if c.name == "lamp"]
    assert lamp[-2:] == [1, 0]
    assert all(decode_record(line) for line in path.read_bytes().splitlines())
    assert {item.kind for item in log.trouble()} <= {
        TroubleKind.EARLIER, TroubleKind.LOST, TroubleKind.RESTART,
    }  # fmt: skip
    if how == "moved":
        assert read_log(tmp_path / "yesterday.log", door()).trouble() == ()


@POSIX
def test_a_log_that_was_moved_before_it_is_put_away_is_not_made_without_a_header(tmp_path: Path) -> None:
    path = tmp_path / "door.log"
    simulation = Simulation(door())
    recorder = Recorder(path, simulation.executive, machine="door", report=print, rotate_at=2000)
    play(simulation, recorder, RUN)
    path.rename(tmp_path / "moved.log")
    play(simulation, recorder, islice(cycle(RUN), 200))
    recorder.close()
    for file in (path, *(item for _, item in earlier_parts(path))):
        assert kinds(file)[0] is RecordKind.LOG


@POSIX
def test_a_second_recorder_of_the_same_log_is_kept_out(tmp_path: Path) -> None:
    path = tmp_path / "door.log"
    simulation = Simulation(door())
    with Recorder(path, simulation.executive, machine="door") as first:
        second = record_run(path, report=lambda text: None)
        assert second.status.failure == "another recorder is writing it"
        play(simulation, first, RUN)
        assert not first.status.failure
    assert not read_log(path).trouble()


# -- several files ---------------------------------------------------------------------------


def test_a_log_in_many_parts_reads_as_one(tmp_path: Path) -> None:
    steps = list(islice(cycle(RUN), 400))
    record_run(tmp_path / "whole.log", steps)
    record_run(tmp_path / "door.log", steps, rotate_at=3000)
    parts = earlier_parts(tmp_path / "door.log")
    assert [number for number, _ in parts] == list(range(1, len(parts) + 1))
    assert len(parts) > 3
    for _, part in parts:
        assert kinds(part)[:2] == [RecordKind.LOG, RecordKind.ALL]
    together = read_log(tmp_path / "door.log", door())
    whole = read_log(tmp_path / "whole.log", door())
    assert list(together.changes()) == list(whole.changes())
    assert together.trouble() == ()


def test_files_that_only_look_like_parts_are_left_alone(tmp_path: Path) -> None:
    record_run(tmp_path / "door.2025.log", ["scan", ("button", True)])
    record_run(tmp_path / "door.2026.log", ["scan"])
    record_run(tmp_path / "door.log", ["scan"])
    for name in ("door.2026.log", "door.log"):
        log = read_log(tmp_path / name, door())
        assert not [change for change in log.changes() if change.name == "button" and change.value]
        assert log.trouble() == ()


def test_a_file_taken_over_by_another_machine_is_told_and_old_signals_become_unknown(tmp_path: Path) -> None:
    path = tmp_path / "door.log"
    record_run(path, ["scan"])
    other = read_machine_text(TEXT.replace("lamp", "horn")).machine
    simulation = Simulation(other)
    with Recorder(path, simulation.executive, machine="door", digest="e" * 64) as recorder:
        play(simulation, recorder, ["scan", ("button", True)])
    log = read_log(path)
    last: dict[str, object] = {}
    for change in log.changes():
        last[change.name] = change.value
    assert (last["lamp"], last["horn"], last["button"]) == (None, 0, 1)
    told = next(item for item in log.trouble() if item.kind is TroubleKind.RESTART)
    assert "with another machine file, eeeeeeeeeeee" in told.examples[0].quote


def test_a_missing_part_is_told_and_nothing_false_is_claimed(tmp_path: Path) -> None:
    steps = list(islice(cycle(RUN), 400))
    record_run(tmp_path / "door.log", steps, rotate_at=3000)
    truth = list(read_log(tmp_path / "door.log", door()).changes())
    for number in (1, 2):
        folder = tmp_path / f"without_{number}"
        shutil.copytree(tmp_path, folder, ignore=lambda _, names: [n for n in names if "without" in n])
        (folder / f"door.{number:04}.log").unlink()
        log = read_log(folder / "door.log", door())
        assert_claims_nothing_false(log, truth)
        assert [trouble.kind for trouble in log.trouble()] == [TroubleKind.EARLIER]


@pytest.mark.parametrize("failing", ["rename", "open"])
def test_where_no_new_part_can_be_begun_the_old_one_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: str
) -> None:
    path = tmp_path / "door.log"
    steps = list(islice(cycle(RUN), 300))
    record_run(tmp_path / "whole.log", steps)
    refused = [OSError(13, "Permission denied")]
    real = Path.rename if failing == "rename" else os.open

    def refuse_once(*given: Any, **more: Any) -> Any:
        if refused and (failing == "rename" or earlier_parts(path)):
            raise refused.pop()
        return real(*given, **more)

    monkeypatch.setattr(*((Path, "rename") if failing == "rename" else (os, "open")), refuse_once)
    said: list[str] = []
    recorder = record_run(path, steps, report=said.append, rotate_at=3000)
    assert said == [f"{path}: no new file could be begun: Permission denied; the old one goes on"]
    assert recorder.status.lost == 0
    assert recorder.status.parts > 0
    together = read_log(path, door())
    assert list(together.changes()) == list(read_log(tmp_path / "whole.log", door()).changes())
    assert together.trouble() == ()


def test_a_file_that_cannot_be_opened_again_after_a_failed_rotation_is_tried_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "door.log"
    real, down = os.open, [True]

    def refuse(*given: Any, **more: Any) -> Any:
        if down and earlier_parts(path):
            raise OSError(5, "Input/output error")
        return real(*given, **more)

    def no_way_back(self: Path, target: Path) -> Path:
        if target == path:
            raise OSError(5, "Input/output error")
        return self.replace(target)

    monkeypatch.setattr(os, "open", refuse)
    monkeypatch.setattr(Path, "rename", no_way_back)
    simulation = Simulation(door())
    recorder = Recorder(path, simulation.executive, machine="door", report=lambda text: None, rotate_at=1500)
    play(simulation, recorder, islice(cycle(RUN), 80))
    assert recorder.status.failure
    down.clear()
    play(simulation, recorder, ["scan"] * 60)
    recorder.close()
    assert not recorder.status.failure
    log = read_log(path, door())
    assert {trouble.kind for trouble in log.trouble()} >= {TroubleKind.LOST}


def test_only_so_many_parts_are_kept_as_asked(tmp_path: Path) -> None:
    record_run(tmp_path / "door.log", islice(cycle(RUN), 400), rotate_at=3000, keep=2)
    assert len(earlier_parts(tmp_path / "door.log")) == 2


def test_a_recorder_started_again_goes_on_with_the_log(tmp_path: Path) -> None:
    path = tmp_path / "door.log"
    morning = datetime(2026, 3, 1, 8, 0, 0, tzinfo=UTC)
    record_run(path, clock=lambda: morning)
    first = list(read_log(path, door()).changes())
    record_run(path, clock=lambda: morning + timedelta(seconds=90, milliseconds=7))
    log = read_log(path, door())
    changes = list(log.changes())
    assert changes[: len(first)] == first
    assert [trouble.kind for trouble in log.trouble()] == [TroubleKind.RESTART]
    later = changes[len(first) :]
    assert all(change.value is None for change in later[: len(signals_of(door()))])
    restart = next(index for index, change in enumerate(later) if change.name == "restart")
    assert later[restart].time == 90_000  # down to whole scans
    assert later[restart + 1] == Change(90_000, Subject.POWER, "power", 0)
    assert [c.time for c in changes] == sorted(c.time for c in changes)


def test_a_recorder_started_again_by_a_clock_that_was_set_back_is_told(tmp_path: Path) -> None:
    path = tmp_path / "door.log"
    morning = datetime(2026, 3, 1, 8, 0, 0, tzinfo=UTC)
    record_run(path, clock=lambda: morning)
    record_run(path, clock=lambda: morning - timedelta(days=1))
    log = read_log(path, door())
    times = [change.time for change in log.changes()]
    assert times == sorted(times)
    assert [trouble.kind for trouble in log.trouble()] == [TroubleKind.CLOCK, TroubleKind.RESTART]


def test_nothing_that_a_recorder_does_warns_by_itself(tmp_path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        record_run(tmp_path / "door.log", force=True)
