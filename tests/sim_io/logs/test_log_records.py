"""The lines of our own log: what is written is read back, and what was altered is refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillgate.sim_io.logs.log import LogHeader, Subject
from stillgate.sim_io.logs.log_records import (
    Record,
    RecordKind,
    Start,
    checksum,
    decode_event,
    decode_record,
    decode_start,
    decode_values,
    encode_event,
    encode_start,
    encode_values,
)

NAMES = st.from_regex(r"[A-Za-z][A-Za-z0-9_]{0,12}", fullmatch=True)
VALUES = st.none() | st.integers(-(10**6), 10**6) | st.just("") | NAMES
TEXTS = st.text(max_size=30)


@st.composite
def records(draw: st.DrawFn) -> Record:
    kind = draw(st.sampled_from(RecordKind))
    number, time = draw(st.integers(0, 10**12)), draw(st.integers(0, 10**12))
    match kind:
        case RecordKind.SET | RecordKind.ALL:
            rest = encode_values(draw(st.lists(st.tuples(NAMES, VALUES), min_size=1, max_size=5)))
        case RecordKind.EVENT:
            rest = encode_event(draw(NAMES), draw(TEXTS))
        case RecordKind.LOST:
            rest = str(draw(st.integers(0, 10**6)))
        case _:
            rest = ""
    return Record(number, time, kind, rest)


def test_the_checksum_is_that_of_ieee_802_3() -> None:
    """Source: check value of CRC-32 in the published catalogues, CRC("123456789") = CBF43926."""
    assert checksum(b"123456789") == b"cbf43926"


def test_a_line_looks_as_the_documentation_draws_it() -> None:
    rest = encode_values([("start", 1), ("main", "running"), ("leaf", ""), ("shut", None), ("count", -3)])
    assert rest == "start=1 main=running leaf=- shut=? count=-3"
    line = Record(2, 1000, RecordKind.SET, rest).encoded()
    content = b"2 1000 set start=1 main=running leaf=- shut=? count=-3"
    assert line == content + b" ;" + checksum(content) + b"\n"


@given(record=records())
def test_a_record_is_read_back_as_it_was_written(record: Record) -> None:
    line = record.encoded()
    assert line.endswith(b"\n")
    assert b"\n" not in line[:-1]
    assert line.isascii()
    assert decode_record(line[:-1]) == record


@given(record=records(), data=st.data())
def test_a_record_with_one_altered_byte_is_refused(record: Record, data: st.DataObject) -> None:
    """A burst of at most 32 bits never escapes a CRC-32 (Peterson and Brown, 1961)."""
    line = bytearray(record.encoded()[:-1])
    place = data.draw(st.integers(0, len(line) - 1))
    line[place] ^= data.draw(st.integers(1, 255))
    assert decode_record(bytes(line)) is None


@given(record=records(), data=st.data())
def test_a_record_cut_anywhere_is_refused(record: Record, data: st.DataObject) -> None:
    line = record.encoded()[:-1]
    assert decode_record(line[: data.draw(st.integers(0, len(line) - 1))]) is None


@given(pairs=st.lists(st.tuples(NAMES, VALUES), min_size=1))
def test_values_are_read_back(pairs: list[tuple[str, int | str | None]]) -> None:
    assert list(decode_values(encode_values(pairs))) == pairs


@given(name=NAMES, text=TEXTS)
def test_events_are_read_back_whatever_is_in_their_text(name: str, text: str) -> None:
    assert decode_event(encode_event(name, text)) == (name, text)


@pytest.mark.parametrize("rest", ["start", "=1", "start=", "start=1  motor=1"])
def test_what_is_no_pair_is_refused(rest: str) -> None:
    with pytest.raises(ValueError, match="is not NAME=VALUE"):
        list(decode_values(rest))


def test_a_header_is_read_back_and_another_format_refused() -> None:
    signals = ((Subject.POWER, "power"), (Subject.INPUT, "a"), (Subject.STATE, "s"), (Subject.OUTPUT, "b"))
    header = LogHeader("press", "ab" * 32, "1.2.3", 20, "2026-11-25T10:00:00.000+00:00", signals)
    start = Start(header, part=3, first=False)
    assert decode_start(encode_start(start)) == start
    with pytest.raises(ValueError, match="does not say 'stillgate recording 1'"):
        decode_start(encode_start(start).replace("recording 1", "recording 2"))
    with pytest.raises(ValueError, match="lacks 'digest'"):
        decode_start(encode_start(start).replace('"digest"', '"digits"'))
