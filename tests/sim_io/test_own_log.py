"""Reading our own log: whatever happened to the file, nothing false is claimed to be known."""

from __future__ import annotations

import os
from functools import cache
from itertools import cycle, islice
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recordings import RUN, TEXT, assert_claims_nothing_false, door, record_run
from stillgate.controller.errors import UsageError
from stillgate.controller.reading.reader import read_machine_text
from stillgate.sim_io.logs.log import Change
from stillgate.sim_io.logs.log_records import Record, RecordKind, encode_values
from stillgate.sim_io.logs.log_trouble import TroubleKind
from stillgate.sim_io.logs.readers import read_log


@cache
def recording() -> tuple[bytes, tuple[Change, ...]]:
    """A log of some length, and what is true."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "door.log"
        record_run(path, islice(cycle(RUN), 50))
        return path.read_bytes(), tuple(read_log(path, door()).changes())


Damage = tuple[str, int, int]


@given(
    damage=st.lists(
        st.tuples(st.sampled_from(["flip", "drop", "twice", "swap", "cut", "insert"]), st.integers(0, 10**6),
                  st.integers(1, 255)),
        min_size=1, max_size=4,
    )
)  # fmt: skip
@settings(deadline=None)
def test_a_damaged_log_claims_nothing_false(damage: list[Damage]) -> None:
    content, truth = recording()
    lines = content.splitlines(keepends=True)
    for kind, place, byte in damage:
        at = 1 + place % (len(lines) - 2)
        match kind:
            case "flip":
                line = bytearray(lines[at])
                if line:
                    line[place % len(line)] ^= byte
                lines[at] = bytes(line)
            case "drop":
                del lines[at]
            case "twice":
                lines.insert(1 + byte % (len(lines) - 1), lines[at])
            case "swap":
                lines[at], lines[at + 1] = lines[at + 1], lines[at]
            case "cut":
                lines[at] = lines[at][: byte % max(1, len(lines[at]))]
            case "insert":
                lines.insert(at, bytes([byte]) * 20 + b"\n")
    with TemporaryDirectory() as folder:
        path = Path(folder) / "door.log"
        path.write_bytes(b"".join(lines))
        log = read_log(path, door())
        assert_claims_nothing_false(log, list(truth))
        if b"".join(lines) != content:
            assert log.trouble()


def test_after_a_damaged_record_signals_are_known_again_once_they_are_told(tmp_path: Path) -> None:
    content, truth = recording()
    lines = content.splitlines(keepends=True)
    whole = sum(change.value is not None for change in truth)
    lines[5] = lines[5].replace(b"=", b":", 1)
    path = tmp_path / "door.log"
    path.write_bytes(b"".join(lines))
    log = read_log(path, door())
    known = sum(change.value is not None for change in log.changes())
    assert whole * 0.9 < known
    assert [(t.kind, t.count, t.examples[0].line) for t in log.trouble()] == [(TroubleKind.ALTERED, 1, 6)]


def test_a_spoilt_header_can_be_read_past_with_the_machine(tmp_path: Path) -> None:
    content, truth = recording()
    path = tmp_path / "door.log"
    path.write_bytes(content.replace(b'"door"', b'"boor"', 1))
    with pytest.raises(UsageError, match="header of the log is damaged or not there; give the machine file"):
        read_log(path)
    log = read_log(path, door())
    changes = list(log.changes())
    assert [(c.time, c.name, c.value) for c in changes] == [(c.time, c.name, c.value) for c in truth]
    assert [trouble.kind for trouble in log.trouble()] == [TroubleKind.ALTERED]


@pytest.mark.parametrize("cut_at_line", [True, False])
def test_a_piece_cut_out_of_a_log_is_read_and_known_to_be_one(tmp_path: Path, cut_at_line: bool) -> None:
    """As ``tail`` leaves it: without the header, perhaps without the begin of a line."""
    content, truth = recording()
    lines = content.splitlines(keepends=True)
    piece = b"".join(lines[20:])
    path = tmp_path / "piece.log"
    path.write_bytes(piece if cut_at_line else lines[19][-9:] + piece)
    with pytest.raises(UsageError, match="damaged or not there; give the machine file"):
        read_log(path)
    log = read_log(path, door())
    assert_claims_nothing_false(log, list(truth))
    assert sum(change.value is not None for change in log.changes()) > 10
    kinds = [trouble.kind for trouble in log.trouble()]
    assert kinds == [*([] if cut_at_line else [TroubleKind.UNREADABLE]), TroubleKind.EARLIER]
    assert not log.header.from_power_on


def test_a_mark_before_the_text_changes_nothing(tmp_path: Path) -> None:
    """Some editors put it there (the byte order mark of Unicode)."""
    content, truth = recording()
    path = tmp_path / "door.log"
    path.write_bytes(b"\xef\xbb\xbf" + content)
    log = read_log(path, door())
    assert tuple(log.changes()) == truth
    assert log.trouble() == ()


def test_a_log_from_the_first_scan_on_begins_at_power_on_and_a_later_part_does_not(tmp_path: Path) -> None:
    path = tmp_path / "door.log"
    record_run(path, list(islice(cycle(RUN), 400)), rotate_at=3000)
    assert read_log(path, door()).header.from_power_on
    (tmp_path / "alone").mkdir()
    alone = path.rename(tmp_path / "alone" / "door.log")
    assert not read_log(alone, door()).header.from_power_on


@pytest.mark.parametrize("scan", ["0", "-20", "true", '"20"'])
def test_a_header_with_a_period_that_is_none_is_refused(tmp_path: Path, scan: str) -> None:
    content, _ = recording()
    header, rest = content.split(b"\n", 1)
    said = header.decode().split(" log ", 1)[1].rpartition(" ;")[0].replace('"scan": 20', f'"scan": {scan}')
    path = tmp_path / "door.log"
    path.write_bytes(Record(0, 0, RecordKind.LOG, said).encoded() + rest)
    with pytest.raises(UsageError, match="is no whole number from 1 on"):
        read_log(path, door())


def test_a_log_can_be_read_again_and_again(tmp_path: Path) -> None:
    path = tmp_path / "door.log"
    record_run(path)
    log = read_log(path)
    assert list(log.changes()) == list(log.changes())


def test_a_log_that_grows_while_it_is_read_is_read_to_where_it_was(tmp_path: Path) -> None:
    path = tmp_path / "door.log"
    content, _ = recording()
    path.write_bytes(content[: len(content) // 2])
    log = read_log(path, door())
    reading = log.changes()
    first = next(reading)
    with path.open("ab") as stream:
        stream.write(content[len(content) // 2 :])
    rest = list(reading)
    assert rest[-1].time < 980
    assert TroubleKind.GREW in {trouble.kind for trouble in log.trouble()}
    assert [first, *rest] == list(log.changes())


def test_signals_the_machine_does_not_have_are_left_out_and_told(tmp_path: Path) -> None:
    path = tmp_path / "door.log"
    record_run(path)
    other = read_machine_text(TEXT.replace("low_pin", "high_pin")).machine
    log = read_log(path, other)
    assert "low_pin" not in {name for _, name in log.header.signals}
    assert not [change for change in log.changes() if change.name == "low_pin"]
    assert [(t.kind, t.examples[0].quote) for t in log.trouble()] == [(TroubleKind.UNKNOWN_NAME, "low_pin")]


def test_states_the_machine_does_not_have_are_unknown_and_told(tmp_path: Path) -> None:
    path = tmp_path / "door.log"
    record_run(path)
    other = read_machine_text(TEXT.replace("moving", "walking")).machine
    log = read_log(path, other)
    assert {c.value for c in log.changes() if c.name == "leaf"} == {"resting", "", None}
    assert TroubleKind.BAD_VALUE in {trouble.kind for trouble in log.trouble()}


def test_a_log_of_quite_another_machine_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "door.log"
    record_run(path)
    text = TEXT
    for name in ("button", "shut", "low_pin", "motor", "lamp", "strokes", "armed", "leaf", "light"):
        text = text.replace(name, f"{name}_x")
    with pytest.raises(UsageError, match="nothing in it is a signal of this machine; it has 'button'"):
        read_log(path, read_machine_text(text).machine)


def test_a_name_twice_in_a_record_is_told_in_order(tmp_path: Path) -> None:
    path = tmp_path / "door.log"
    record_run(path, ["scan"])
    *lines, _end = path.read_bytes().splitlines(keepends=True)
    values = encode_values([("power", 0), ("power", 1)])
    extra = Record(len(lines), 40, RecordKind.SET, values).encoded()
    path.write_bytes(b"".join([*lines, extra]))
    assert [c.value for c in read_log(path).changes() if c.name == "power"] == [1, 0, 1]


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("missing.log", None, "there is no such file; did you mean .*door.log"),
        ("empty.log", b"", "the file is empty: nothing was recorded in it"),
        ("binary.log", bytes(range(7)) * 99, "this is no log that can be read"),
    ],
)
def test_what_is_no_log_is_refused_in_one_sentence(
    tmp_path: Path, name: str, content: bytes | None, message: str
) -> None:
    record_run(tmp_path / "door.log")
    path = tmp_path / (name if content is not None else "door.lob")
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(UsageError, match=message):
        read_log(path, door())


def test_a_folder_and_a_pipe_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="this is a folder; name the log file in it"):
        read_log(tmp_path, door())
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe")
        with pytest.raises(UsageError, match="this is not a plain file"):
            read_log(tmp_path / "pipe", door())
