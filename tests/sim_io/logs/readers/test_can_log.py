"""CAN logs: files that python-can wrote, decoded with a database of cantools' own, give the same changes."""

from __future__ import annotations

import struct
import sys
from pathlib import Path

import can
import cantools
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillgate.controller.errors import ToolMissing, UsageError
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine_text
from stillgate.sim_io.logs.log import ALIVE, CLOCK_SET, Log, Value
from stillgate.sim_io.logs.log_trouble import TroubleKind
from stillgate.sim_io.logs.readers import read_log
from stillgate.sim_io.logs.readers.columns import ColumnMap

DATABASE = """\
VERSION "1.0"
BU_: PCM1 FOO
BO_ 496 ExampleMessage: 8 PCM1
 SG_ Temperature : 0|12@0- (0.01,250) [229.52|270.47] "degK"  PCM1,FOO
 SG_ AverageRadius : 6|6@0+ (0.1,0) [0|5] "m" Vector__XXX
 SG_ Enable : 7|1@0+ (1,0) [0|0] "-" Vector__XXX
VAL_ 496 Enable 0 "Disabled" 1 "Enabled" ;
"""
"""The message of cantools' own first example (tests/files/dbc/motohawk.dbc of its source, MIT licence)."""

MORE = """\
BO_ 2566834709 Wide: 8 PCM1
 SG_ Mode M : 0|8@1+ (1,0) [0|3] "" FOO
 SG_ level m1 : 8|8@1+ (1,0) [0|9] "" FOO
 SG_ phase m2 : 8|8@1+ (1,0) [0|1] "" FOO
BO_ 7 Twin: 1 PCM1
 SG_ Enable : 0|1@1+ (1,0) [0|1] "" FOO
VAL_ 2566834709 phase 0 "cold" 1 "warm" ;
"""
"""Ours: an extended identifier, multiplexed signals, a name that two messages have."""

MACHINE = """\
machine: heater
scan: 20 ms
inputs: {enabled: {}, hot: {}}
outputs: {fan: {}}
memory: {level: {range: 0..9, start: 0}}
sequences:
  phase:
    start: cold
    states:
      cold: {exits: [{when: enabled and hot, to: warm, do: {level: level + 1}}]}
      warm: {on: [fan], exits: [{when: not enabled, to: cold}]}
requirements: {can_be: {reach: phase.warm}}
"""

FORMATS = ("log", "asc", "blf")
LAYOUT = {"columns": {"ExampleMessage.Enable": "enabled", "Temperature": {"signal": "hot", "above": 250.5}}}
FRAME = 496


def heater() -> Machine:
    return read_machine_text(MACHINE).machine


def frames(count: int = 40, start: float = 1_700_000_000.0) -> list[can.Message]:
    """Frames of the example, every 100 ms, and one that nobody describes."""
    database = cantools.database.load_string(DATABASE, "dbc")
    made = []
    for index in range(count):
        values = {"Temperature": 250 + index % 10 / 10, "AverageRadius": 3.2, "Enable": index // 7 % 2}
        data = database.encode_message("ExampleMessage", values)
        made.append(
            can.Message(timestamp=start + index / 10, arbitration_id=FRAME, data=data, is_extended_id=False)
        )
    made.append(
        can.Message(timestamp=start + count / 10, arbitration_id=0x555, data=[1], is_extended_id=False)
    )
    return made


def write(folder: Path, suffix: str, messages: list[can.Message]) -> Path:
    path = folder / f"bus.{suffix}"
    with can.Logger(path) as writer:
        for message in messages:
            writer(message)
    return path


def read(path: Path, layout: dict[str, object] = LAYOUT, database: str = DATABASE) -> Log:
    dbc = path.parent / "bus.dbc"
    dbc.write_text(database)
    return read_log(path, heater(), columns=ColumnMap.model_validate(layout), dbc=dbc)


def told(log: Log) -> list[tuple[int, str, Value]]:
    return [(item.time, item.name, item.value) for item in log.changes() if item.name != ALIVE]


def values(log: Log) -> list[tuple[int, str, Value]]:
    """What becomes known and when, apart from what is not known after a frame that could not be read."""
    now: dict[str, Value] = {}
    found = []
    for time, name, value in told(log):
        if value is not None and now.get(name) != value:
            now[name] = value
            found.append((time, name, value))
    return found


def expected(count: int = 40) -> list[tuple[int, str, Value]]:
    found: list[tuple[int, str, Value]] = []
    for index in range(count):
        for name, value in (("enabled", index // 7 % 2), ("hot", int(250 + index % 10 / 10 > 250.5))):
            last = next((entry[2] for entry in reversed(found) if entry[1] == name), None)
            if last != value:
                found.append((index * 100, name, value))
    return found


@pytest.mark.parametrize("suffix", FORMATS)
def test_what_python_can_writes_is_read(tmp_path: Path, suffix: str) -> None:
    log = read(write(tmp_path, suffix, frames()))
    assert told(log) == expected()
    assert [(t.kind, t.count, t.examples[0].quote) for t in log.trouble()] == [
        (TroubleKind.UNKNOWN_ID, 1, "0x555")
    ]
    if suffix != "asc":  # whose times begin at 0
        assert log.header.started == "2023-11-14T22:13:20.000+00:00"
    assert told(log) == expected()  # and can be read again


def test_the_form_that_candump_shows_on_a_screen_is_read(tmp_path: Path) -> None:
    path = tmp_path / "bus.txt"
    lines = [
        f" ({m.timestamp:.6f})  can0  {m.arbitration_id:03X}   [{m.dlc}]  {m.data.hex(' ').upper()}\n"
        for m in frames()
    ]
    path.write_text("".join(lines))
    assert told(read(path)) == expected()


@pytest.mark.parametrize("suffix", ["log", "asc"])
@given(places=st.lists(st.integers(0, 60), min_size=1, max_size=6), data=st.data())
@settings(deadline=None, max_examples=15)
def test_lines_that_cannot_be_read_are_counted_and_the_rest_is_read(
    tmp_path_factory: pytest.TempPathFactory, suffix: str, places: list[int], data: st.DataObject
) -> None:
    """python-can itself ends at the first such line."""
    path = write(tmp_path_factory.mktemp("can"), suffix, frames())
    lines = path.read_text().splitlines(keepends=True)
    head = 0 if suffix == "log" else next(i for i, line in enumerate(lines) if "Triggerblock" in line) + 1
    broken = {
        "log": ["garbage\n", "(1700000000.9) can0 1F0#GG\n", "(x) can0 1F0#00\n", "(1700000000.9) can0\n"],
        "asc": ["   0.900000 1  1F0             Rx   d 8 zz 00\n", "   0.900000 1  1F0  Rx   d\n"],
    }[suffix]
    for place in places:
        lines.insert(head + place % (len(lines) - head), data.draw(st.sampled_from(broken)))
    path.write_text("".join(lines))
    log = read(path)
    assert values(log) == expected()
    counted = {trouble.kind: trouble.count for trouble in log.trouble()}
    assert counted == {TroubleKind.UNREADABLE: len(places), TroubleKind.UNKNOWN_ID: 1}


def test_a_torn_binary_log_is_read_as_far_as_it_goes(tmp_path: Path) -> None:
    path = write(tmp_path, "blf", frames(400))
    path.write_bytes(path.read_bytes()[:-40])
    log = read(path)
    found = told(log)
    assert found
    assert found == expected(400)[: len(found)]
    assert TroubleKind.TORN in {trouble.kind for trouble in log.trouble()}


def test_behind_a_spoilt_stretch_of_a_binary_log_reading_goes_on(tmp_path: Path) -> None:
    """Three containers of compressed frames; the second is overwritten."""
    path = tmp_path / "bus.blf"
    with can.BLFWriter(path) as writer:
        writer.max_container_size = 2000
        for message in frames(200):
            writer(message)
    content = bytearray(path.read_bytes())
    containers = [place for place in range(144, len(content) - 4) if content[place : place + 4] == b"LOBJ"]
    assert len(containers) > 3
    start = containers[1] + 40
    content[start : start + 60] = b"\xff" * 60
    path.write_bytes(content)
    log = read(path)
    found = values(log)
    assert found[-1] == expected(200)[-1]
    first = next(time for time, name, value in expected(200) if (time, name, value) not in found)
    assert [entry for entry in found if entry[0] < first] == [e for e in expected(200) if e[0] < first]
    assert first < found[-1][0] / 2  # so reading did go on behind it
    assert TroubleKind.UNREADABLE in {trouble.kind for trouble in log.trouble()}


def test_extended_and_multiplexed_frames_and_names_of_states_are_decoded(tmp_path: Path) -> None:
    wide = 2566834709 & 0x1FFFFFFF
    made = [
        can.Message(
            timestamp=1.0 + index / 100, arbitration_id=wide, is_extended_id=True, data=[*data, *[0] * 6]
        )
        for index, data in enumerate([(1, 4), (2, 1), (2, 0), (1, 7), (3, 9)])
    ]
    made.append(can.Message(timestamp=1.1, arbitration_id=wide & 0x7FF, is_extended_id=False, data=[1] * 8))
    log = read(write(tmp_path, "log", made), {}, DATABASE + MORE)
    assert told(log) == [
        (1000, "level", 4),
        (1010, "phase", "warm"),
        (1020, "phase", "cold"),
        (1030, "level", 7),
    ]
    kinds = {trouble.kind: trouble.count for trouble in log.trouble()}
    assert kinds == {TroubleKind.UNKNOWN_ID: 1, TroubleKind.NOT_DECODED: 1}


def test_frames_that_are_too_short_are_counted(tmp_path: Path) -> None:
    made = frames(3)
    made.insert(
        1, can.Message(timestamp=1_700_000_000.05, arbitration_id=FRAME, data=[1], is_extended_id=False)
    )
    log = read(write(tmp_path, "log", made))
    assert (
        told(log)
        == [
            *expected(3)[:2],
            *[(20, name, None) for name in ("enabled", "hot")],  # one scan after the last good frame
            *[(100, *entry[1:]) for entry in expected(3)[:2]],
        ]
    )
    [short] = [trouble for trouble in log.trouble() if trouble.kind is TroubleKind.NOT_DECODED]
    assert short.examples[0].line == 2
    assert short.examples[0].quote.startswith("0x1F0 01: ")


@pytest.mark.parametrize("suffix", FORMATS)
def test_error_frames_of_the_bus_are_counted(tmp_path: Path, suffix: str) -> None:
    made = frames(3)
    made.insert(2, can.Message(timestamp=1_700_000_000.15, is_error_frame=True))
    log = read(write(tmp_path, suffix, made))
    assert told(log) == expected(3)
    assert [t.count for t in log.trouble() if t.kind is TroubleKind.BUS_ERROR] == [1]


def test_a_frame_at_a_time_that_cannot_be_is_skipped_and_told(tmp_path: Path) -> None:
    path = write(tmp_path, "log", frames(3))
    path.write_text("(99999999999999999999.5) can0 1F0#00\n" + path.read_text())
    log = read(path)
    assert values(log) == expected(3)
    assert told(log)[0] == (0, CLOCK_SET, None)  # it does not begin where the bus did
    assert [t.examples[0].line for t in log.trouble() if t.kind is TroubleKind.UNREADABLE] == [1]


def test_a_silent_bus_is_a_gap_when_the_map_says_how_often_frames_come(tmp_path: Path) -> None:
    made = [message for index, message in enumerate(frames()) if not 10 <= index < 20]
    log = read(write(tmp_path, "log", made), {**LAYOUT, "every": "100 ms"})
    assert (1000, "enabled", None) in told(log)
    assert TroubleKind.GAP in {trouble.kind for trouble in log.trouble()}


@pytest.mark.parametrize(
    ("layout", "database", "message"),
    [
        (
            {"columns": {"Enabel": "enabled"}},
            DATABASE,
            "there is no signal 'Enabel' .did you mean '.*Enable'",
        ),
        (
            {"columns": {"Enable": "enabled"}},
            DATABASE + MORE,
            "'Enable' is in 'ExampleMessage.Enable', 'Twin.Enable'",
        ),
        ({}, DATABASE, "nothing in it is a signal of this machine; it has 'ExampleMessage.Enable'"),
        (LAYOUT, "BO_ nonsense", "this is no CAN database that can be read: "),
        (LAYOUT, "\x01\x02", r"this is no CAN database that can be read: [ -~]*$"),
    ],
)
def test_a_database_that_does_not_fit_is_refused(
    tmp_path: Path, layout: dict[str, object], database: str, message: str
) -> None:
    path = write(tmp_path, "log", frames(2))
    with pytest.raises(UsageError, match=message):
        read(path, layout, database)


def test_a_missing_database_is_asked_for(tmp_path: Path) -> None:
    path = write(tmp_path, "log", frames(2))
    with pytest.raises(UsageError, match=r"this is a CAN log; name the database .* with --dbc"):
        read_log(path, heater())
    with pytest.raises(UsageError, match=r"none\.dbc: the database cannot be read: no such file"):
        read_log(path, heater(), dbc=tmp_path / "none.dbc")


def test_times_that_count_from_event_to_event_are_refused(tmp_path: Path) -> None:
    path = write(tmp_path, "asc", frames(2))
    path.write_text(path.read_text().replace("timestamps absolute", "timestamps relative"))
    with pytest.raises(UsageError, match="count from one event to the next, which cannot be read"):
        read(path)


def test_a_log_without_a_frame_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path, "blf", [])
    with pytest.raises(UsageError, match="there is no frame in it that can be read"):
        read(path)


def test_a_blf_of_nothing_but_a_mark_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bus.blf"
    path.write_bytes(b"LOGG" + struct.pack("<I", 144) + b"\0" * 50)
    with pytest.raises(UsageError, match="there is no frame in it that can be read"):
        read(path)


@pytest.mark.parametrize("library", ["can", "cantools"])
def test_a_missing_library_is_named_with_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, library: str
) -> None:
    path = write(tmp_path, "log", frames(2))
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(ToolMissing, match=r"pip install 'stillgate\[can\]'"):
        read(path)
