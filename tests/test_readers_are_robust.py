"""Every reader against files that were altered: it reads, or refuses in words; nothing else.

A valid file is made of each kind and altered as accidents and hands do: bytes changed, cut, doubled, moved,
tokens put in that have a meaning somewhere. What may come of it is a result, or an error that is meant for
a person (``StillgateError`` but no ``ProgramFault``); never another exception, and never more than seconds.
Where the file carries a digest, an altered one must not be believed: no false claim.

A few alterations at every run; ten thousand of each kind at night (``pytest -m night``).
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from closed_gate import GATE
from engine import quick_build
from machine_texts import YARD_GATE
from recordings import TEXT, assert_claims_nothing_false, door, record_run
from stillgate.controller.effort import Effort
from stillgate.controller.errors import ProgramFault, StillgateError
from stillgate.controller.kept_files import find_kept, keep, kept_folder
from stillgate.controller.reading.reader import MachineDocument, read_machine_bytes, read_machine_text
from stillgate.interlocks.certificates import certify
from stillgate.interlocks.certificates.certificate_file import certificate_bytes, read_certificate
from stillgate.sim_io.logs.log import Change
from stillgate.sim_io.logs.readers import read_log
from stillgate.sim_io.logs.readers.columns import read_column_map
from stillgate.sim_io.logs.writers.traces import write_trace
from stillgate.sim_io.scenarios.scenario_reader import load_scenario_bytes

LONGEST = 10.0
"""Seconds of the processor for one file; most take some milliseconds."""

TOKENS = (
    *rb"{ } [ ] ' % -1 1e999 nan null true on 0x7f T#1d 1..0 held( (((((((( , ; &a *a <<: PAR1".split(),
    b'"', b"\n", b"\r\n", b"\0", b"\t", b"\xff\xfe", b"\xef\xbb\xbf", b"\x1b[2J", "\u202e".encode(),
    b"!!python/x ", b"9" * 21, b": ", b"- ", b"not ",
)  # fmt: skip
"""What means something to one of the readers."""

MACHINE = GATE + "  can_wait: {from_anywhere: gate.waiting}\n"
SCENARIO = b"""\
scenario: opens
machine: door.yaml
steps:
  - {set: {button: on}, at: 100 ms}
  - {expect: leaf.moving, within: 200 ms}
  - {press: button, at: 1 s, for: 100 ms}
  - {keep: not motor or leaf.moving, for: 1 s}
"""
COLUMNS = b"""\
time: {column: Zeit, as: date-time, format: '%d.%m.%Y %H:%M:%S.%f', zone: Europe/Berlin}
delimiter: ';'
every: 100 ms
columns:
  DI 07: button
  DI 08: {signal: shut, inverted: true}
"""
TABLE = b"time_ms,button,shut,low_pin,leaf\n" + b"".join(
    b"%d,%d,%d,%d,%s\n" % (20 * n, n % 3 == 0, n % 5 == 0, n % 2, b"moving" if n % 4 else b"resting")
    for n in range(30)
)
DBC = """\
VERSION "1.0"
BU_: A
BO_ 496 Door: 8 A
 SG_ button : 0|1@1+ (1,0) [0|1] "" A
 SG_ shut : 1|1@1+ (1,0) [0|1] "" A
"""


@cache
def folder() -> Path:
    return Path(mkdtemp(prefix="stillgate-readers-"))


@cache
def the_door() -> MachineDocument:
    """Read once: the machine is not what is altered."""
    return read_machine_text(TEXT, "door.yaml")


@cache
def truth() -> list[Change]:
    """What the recording says before it is altered."""
    path = written(whole_of("recording"), "true.log")
    return list(read_log(path, the_door().machine).changes())


def bus(suffix: str) -> bytes:
    path = folder() / f"logged.{suffix}"
    with can.Logger(path) as writer:
        for n in range(30):
            writer(can.Message(timestamp=n / 10, arbitration_id=496, data=[n % 4] * 8, is_extended_id=False))
    return path.read_bytes()


def recording() -> bytes:
    path = folder() / "whole.log"
    record_run(path)
    return path.read_bytes()


def parquet() -> bytes:
    record_run(folder() / "traced.log")
    path = folder() / "whole.parquet"
    write_trace(read_log(folder() / "traced.log", door()), path)
    return path.read_bytes()


def certificate(kind: str) -> bytes:
    document = read_machine_text(MACHINE, "gate.yaml")
    make = certify.states_certificate if kind == "states" else certify.invariant_certificate
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(certify, "build_checker", quick_build)
        return certificate_bytes(make(document, tick=100, faults=0, effort=Effort(threads=1)))


def written(content: bytes, name: str) -> Path:
    path = folder() / name
    path.write_bytes(content)
    return path


def as_log(name: str) -> Callable[[bytes, bytes], None]:
    def read(content: bytes, whole: bytes) -> None:
        dbc = written(DBC.encode(), "bus.dbc") if name.startswith("bus") else None
        log = read_log(written(content, name), the_door().machine, dbc=dbc)
        changes = list(log.changes())
        assert [change.time for change in changes] == sorted(change.time for change in changes)
        list(log.told())
        log.trouble()
        last = max((change.time for change in changes), default=0)
        if name == "own.log" and log.header.scan == 20 and last <= truth()[-1].time:
            assert_claims_nothing_false(log, truth())

    return read


def as_scenario(content: bytes) -> None:
    void(load_scenario_bytes(content, "s.yaml", the_door()))


def as_dbc(content: bytes, whole: bytes) -> None:
    path = written(whole_of("candump"), "for_dbc.log")
    list(read_log(path, the_door().machine, dbc=written(content, "altered.dbc")).changes())


def as_certificate(content: bytes, whole: bytes) -> None:
    found = read_certificate(written(content, "altered.cert"))
    assert certificate_bytes(found).split() == whole.split(), "an altered certificate was believed"


def as_kept(content: bytes, whole: bytes) -> None:
    keep("readers", "file", b"what was kept")
    (kept_folder("readers") / "file").write_bytes(content)
    assert find_kept("readers", "file") in ((None, b"what was kept") if content == whole else (None,))


def kept() -> bytes:
    keep("readers", "file", b"what was kept")
    return (kept_folder("readers") / "file").read_bytes()


NAMED = """\
machine: m
scan: 20 ms
inputs: {a: {}, b: {}}
outputs: {y: {}}
conditions: {clear: a and not b, open: {when: not clear or y, why: x}, twice: rising(clear)}
sequences: {s: {start: x, states: {x: {on: [y], exits: [{when: twice, to: x}, {when: open, to: x}]}}}}
interlocks: [{hold_off: y, unless: clear}]
requirements: {r: {never: y and not seen.clear}}
"""


@dataclass(frozen=True)
class Reader:
    """One kind of file: how a whole one is made, and how any is read."""

    whole: Callable[[], bytes]
    read: Callable[[bytes, bytes], None]


READERS = {
    "machine": Reader(YARD_GATE.encode, lambda content, _: void(read_machine_bytes(content, "m.yaml"))),
    "named conditions": Reader(NAMED.encode, lambda content, _: void(read_machine_bytes(content, "m.yaml"))),
    "scenario": Reader(lambda: SCENARIO, lambda content, _: as_scenario(content)),
    "column map": Reader(lambda: COLUMNS, lambda content, _: void(read_column_map(written(content, "c")))),
    "recording": Reader(recording, as_log("own.log")),
    "csv": Reader(lambda: TABLE, as_log("table.csv")),
    "parquet": Reader(parquet, as_log("table.parquet")),
    "candump": Reader(lambda: bus("log"), as_log("bus.log")),
    "asc": Reader(lambda: bus("asc"), as_log("bus.asc")),
    "blf": Reader(lambda: bus("blf"), as_log("bus.blf")),
    "dbc": Reader(DBC.encode, as_dbc),
    "certificate of states": Reader(lambda: certificate("states"), as_certificate),
    "certificate by invariant": Reader(lambda: certificate("invariant"), as_certificate),
    "cache": Reader(kept, as_kept),
}  # fmt: skip


def void(found: object) -> None:
    """Whatever was read is thrown away."""


@cache
def whole_of(kind: str) -> bytes:
    return READERS[kind].whole()


Alteration = tuple[str, int, int, bytes]

ALTERATIONS: st.SearchStrategy[list[Alteration]] = st.lists(
    st.tuples(
        st.sampled_from(["flip", "cut", "double", "move", "put", "replace", "end"]),
        st.integers(0, 2**20),
        st.integers(1, 64),
        st.sampled_from(TOKENS) | st.binary(min_size=1, max_size=8),
    ),
    min_size=1,
    max_size=4,
)


def altered(content: bytes, alterations: list[Alteration]) -> bytes:
    """The content after accidents, one after another."""
    for kind, number, length, token in alterations:
        at = number % (len(content) + 1)
        before, piece, after = content[:at], content[at : at + length], content[at + length :]
        match kind:
            case "flip":
                content = before + bytes(byte ^ (1 << length % 8) for byte in piece[:1]) + piece[1:] + after
            case "cut":
                content = before + after
            case "double":
                content = before + piece + piece + after
            case "move":
                content = before + after[: length * 3] + piece + after[length * 3 :]
            case "put":
                content = before + token + piece + after
            case "replace":
                content = before + token + after
            case _:
                content = before
    return content


def tried(kind: str, alterations: list[Alteration]) -> None:
    """One altered file, read or refused in words and in time."""
    whole = whole_of(kind)
    content = altered(whole, alterations)
    began = time.process_time()
    try:
        READERS[kind].read(content, whole)
    except StillgateError as error:
        assert not isinstance(error, ProgramFault), error
        assert str(error).strip()
    assert time.process_time() - began < LONGEST


@pytest.mark.parametrize("kind", READERS)
def test_the_file_as_it_was_made_is_read(kind: str) -> None:
    READERS[kind].read(whole_of(kind), whole_of(kind))


@pytest.mark.parametrize("kind", READERS)
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(alterations=ALTERATIONS)
def test_an_altered_file_is_read_or_refused_in_words(kind: str, alterations: list[Alteration]) -> None:
    tried(kind, alterations)


@pytest.mark.night
@pytest.mark.parametrize("kind", READERS)
@settings(max_examples=10_000, deadline=None, suppress_health_check=list(HealthCheck))
@given(alterations=ALTERATIONS)
def test_ten_thousand_altered_files_are_read_or_refused_in_words(
    kind: str, alterations: list[Alteration]
) -> None:
    tried(kind, alterations)
