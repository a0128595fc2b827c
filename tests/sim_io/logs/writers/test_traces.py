"""Traces: nothing of a log is lost in CSV, Parquet or VCD; others' programs read them as we do."""

from __future__ import annotations

import re
import signal
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from recordings import RUN, TEXT, door, record_run
from stillgate.controller.errors import ToolMissing, UsageError
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.sim_io.logs.log import Change, Log, LogHeader, Subject, Value, log_in_memory, signals_of
from stillgate.sim_io.logs.log_trouble import TroubleKind
from stillgate.sim_io.logs.readers import read_log
from stillgate.sim_io.logs.readers.columns import ColumnMap
from stillgate.sim_io.logs.recorder import Recorder
from stillgate.sim_io.logs.writers.traces import write_trace
from stillgate.sim_io.logs.writers.vcd import identifier
from stillgate.sim_io.simulation.script import parse_script, play
from stillgate.sim_io.simulation.simulation import Simulation
from stillgate.sim_io.simulation.simulation_trace import SimulationTrace

ROOT = Path(__file__).parents[4]
HEADER = LogHeader(
    "door", "d" * 64, "1.0", 20, "2026-11-25T10:00:00.000+00:00", signals_of(door()), from_power_on=True
)


def values_of(subject: Subject, name: str) -> st.SearchStrategy[Value]:
    match subject:
        case Subject.STATE:
            return st.sampled_from([None, "", *door().sequences[name].states])
        case Subject.MEMORY if name == "strokes":
            return st.none() | st.integers(-2, 5)
    return st.sampled_from([None, 0, 1])


@st.composite
def logs(draw: st.DrawFn) -> Log:
    """Any log of the door: changes at one time, twice at one time, unknowns, events, a late start."""
    time = draw(st.integers(0, 10**9)) * draw(st.sampled_from([0, 20]))
    changes: list[Change] = []
    for _ in range(draw(st.integers(1, 15))):
        time += draw(st.sampled_from([0, 0, 20, 40, 10**6]))
        if draw(st.integers(0, 4)) == 0:
            text = draw(st.none() | st.text(st.characters(exclude_categories=["Cs"]), max_size=8))
            changes.append(Change(time, Subject.EVENT, draw(st.sampled_from(["alive", "left_bounds"])), text))
        else:
            subject, name = draw(st.sampled_from(HEADER.signals))
            changes.append(Change(time, subject, name, draw(values_of(subject, name))))
    return log_in_memory(HEADER, changes)


Told = tuple[list[tuple[int, str, Value]], dict[tuple[int, Subject, str], list[Value]]]


def in_order(log: Log) -> Told:
    """Events in order, and the values that each signal took at each time, in order.

    Which of two signals changed first in one scan is not kept, and means nothing.
    """
    events: list[tuple[int, str, Value]] = []
    levels: dict[tuple[int, Subject, str], list[Value]] = {}
    for change in log.changes():
        if change.subject is Subject.EVENT:
            events.append((change.time, change.name, change.value))
        else:
            levels.setdefault((change.time, change.subject, change.name), []).append(change.value)
    return events, levels


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
@given(log=logs())
@settings(deadline=None, max_examples=60)
def test_a_log_is_read_back_from_a_table_as_it_was(suffix: str, log: Log) -> None:
    assume(any(True for _ in log.changes()))
    with TemporaryDirectory() as folder:
        path = Path(folder) / f"trace{suffix}"
        write_trace(log, path)
        back = read_log(path, door())
        assert in_order(back) == in_order(log)
        assert back.trouble() == ()
        if suffix == ".parquet":
            assert back.header == HEADER


@given(log=logs())
@settings(deadline=None, max_examples=60)
def test_a_waveform_holds_every_change_for_an_independent_reader(log: Log) -> None:
    """Read back with vcdvcd, which shares no code with the writer."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "trace.vcd"
        write_trace(log, path)
        text = path.read_text()
        dump = waveform(path)
    assert_follows_the_grammar(text)
    expected: dict[str, list[tuple[int, str]]] = {}
    words: dict[str, set[str]] = {}
    for change in log.changes():
        if change.subject is Subject.STATE and change.value:
            words.setdefault(change.name, set()).add(str(change.value))
    last: dict[str, str] = {}

    def put(name: str, time: int, value: str) -> None:
        if last.get(name, "x") != value:
            expected.setdefault(name, []).append((time, value))
            last[name] = value

    scopes = {
        Subject.INPUT: "inputs",
        Subject.OUTPUT: "outputs",
        Subject.MEMORY: "memory",
        Subject.POWER: "supply",
    }
    for change in log.changes():
        if change.subject is Subject.EVENT:
            expected.setdefault(f"door.events.{change.name}", []).append((change.time, "1"))
        elif change.subject is Subject.STATE:
            for word in words.get(change.name, ()):
                value = "x" if change.value is None else str(int(change.value == word))
                put(f"door.states.{change.name}.{word}", change.time, value)
        else:
            value = "x" if change.value is None else str(change.value)
            put(f"door.{scopes[change.subject]}.{change.name}", change.time, value)
    assert {name: found for name, found in dump.items() if found} == expected


def waveform(path: Path) -> dict[str, list[tuple[int, str]]]:
    """Every change of every variable after the first, by vcdvcd; numbers as decimals."""
    kept = signal.getsignal(signal.SIGPIPE) if sys.platform != "win32" else None
    from vcdvcd import VCDVCD

    if kept is not None:
        signal.signal(signal.SIGPIPE, kept)  # importing vcdvcd changes it
    dump = VCDVCD(str(path))
    found: dict[str, list[tuple[int, str]]] = {}
    for name in dump.signals:
        changes = dump[name].tv
        plain = name.partition("[")[0]
        first = 0 if ".events." in name else 1  # the value at time 0, unknown, is not a change
        found[plain] = [(time, number(value, dump[name].size)) for time, value in changes[first:]]
    return found


def number(value: str, size: str) -> str:
    if int(size) == 1 or "x" in value:
        return value[-1]
    count = int(value, 2)
    return str(count - 2 ** int(size) if value.rjust(int(size), "0")[0] == "1" else count)


GRAMMAR = {
    "header": re.compile(r"\$(date|version|comment) [^$]*\$end|\$timescale 1 ms \$end"),
    "scope": re.compile(r"\$scope module [A-Za-z_][A-Za-z0-9_]* \$end|\$upscope \$end"),
    "var": re.compile(r"\$var (wire 1|integer 64|event 1) [!-~]+ [A-Za-z_][A-Za-z0-9_]* \$end"),
    "change": re.compile(r"#\d+|[01x][!-~]+|b[01x]+ [!-~]+"),
}
"""Syntax of IEEE 1364-2005, 18.2.1 and 18.2.3, as far as a trace needs it (from memory of the standard)."""


def assert_follows_the_grammar(text: str) -> None:
    """Declarations, then $enddefinitions, then a dump of everything at a time, then changes."""
    head, _, body = text.partition("$enddefinitions $end\n")
    for line in head.splitlines():
        assert any(GRAMMAR[kind].fullmatch(line) for kind in ("header", "scope", "var")), line
    assert head.count("$scope") == head.count("$upscope")
    identifiers = re.findall(r"\$var \S+ \S+ (\S+) ", head)
    assert len(set(identifiers)) == len(identifiers)
    lines = body.splitlines()
    assert lines[:2] == ["#0", "$dumpvars"]
    end = lines.index("$end")
    for line in [*lines[2:end], *lines[end + 1 :]]:
        assert GRAMMAR["change"].fullmatch(line), line
    times = [int(line[1:]) for line in lines if line.startswith("#")]
    assert times == sorted(set(times))


def test_signals_called_like_columns_of_ours_are_kept_apart(tmp_path: Path) -> None:
    """A machine may well have an input called power, or time."""
    text = TEXT
    for old, new in (("button", "power"), ("shut", "event"), ("low_pin", "time_ms"), ("lamp", "time")):
        text = re.sub(rf"\b{old}\b", new, text)
    machine = read_machine_text(text).machine
    simulation = Simulation(machine)
    with Recorder(tmp_path / "door.log", simulation.executive, machine="door") as recorder:
        for index in range(20):
            simulation.set_input("power", index % 3 == 1)
            simulation.set_input("event", index % 5 == 1)
            simulation.power(on=index % 7 != 1)
            simulation.step()
            recorder.record()
        recorder.event("remark", "none")
    log = read_log(tmp_path / "door.log", machine)
    told = {(c.subject, c.name) for c in log.changes()}
    assert {(Subject.POWER, "power"), (Subject.INPUT, "power"), (Subject.INPUT, "event")} <= told
    assert log.trouble() == ()
    for suffix in (".csv", ".parquet"):
        write_trace(log, tmp_path / f"t{suffix}")
        back = read_log(tmp_path / f"t{suffix}", machine)
        assert in_order(back) == in_order(log)
        assert back.trouble() == ()
    write_trace(log, tmp_path / "t.vcd")
    assert {"door.supply.power", "door.inputs.power"} <= set(waveform(tmp_path / "t.vcd"))


def test_texts_that_are_no_identifiers_get_names_of_the_standard() -> None:
    assert [identifier(text) for text in ("running up", "2nd stop", "ä", "at_open")] == [
        "running_up", "_2nd_stop", "_", "at_open",
    ]  # fmt: skip


@pytest.mark.parametrize("suffix", [".csv", ".parquet", ".vcd"])
def test_a_trace_is_the_same_bytes_every_time(tmp_path: Path, suffix: str) -> None:
    record_run(tmp_path / "door.log")
    log = read_log(tmp_path / "door.log", door())
    write_trace(log, tmp_path / f"a{suffix}")
    write_trace(log, tmp_path / f"b{suffix}")
    assert (tmp_path / f"a{suffix}").read_bytes() == (tmp_path / f"b{suffix}").read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"a{suffix}", f"b{suffix}", "door.log"]


def simulated(folder: Path) -> tuple[SimulationTrace, list[int], list[bool]]:
    """A run of the two-hand press in which a stuck switch parts what is seen from what is."""
    machine = read_machine(ROOT / "machines" / "press_two_hand.yaml").machine
    simulation = Simulation(machine, seed=3)
    trace = SimulationTrace(simulation, digest="e" * 64)
    script = ["0 s left_released stuck on", "1 s left_pressed on", "1 s left_released off"]
    times, circuits = [], []
    for frame in play(simulation, parse_script(script, machine), 2000):
        trace.add(frame)
        times.append(frame.time)
        circuits.append(frame.circuits["left_released"])
    return trace, times, circuits


def test_the_trace_of_a_simulation_keeps_what_is_seen_and_what_is(tmp_path: Path) -> None:
    """Against polars' and pyarrow's own readers."""
    trace, times, circuits = simulated(tmp_path)
    for suffix in (".csv", ".parquet", ".vcd"):
        write_trace(trace.log(), tmp_path / f"run{suffix}")
    table = pl.read_csv(tmp_path / "run.csv")
    assert set(table["left_released"]) == {1}
    after = table.filter(pl.col("time_ms") >= 1000)
    assert set(after["circuit.left_released"]) == {0}
    assert "part.ram" in table.columns
    columns = pq.read_table(tmp_path / "run.parquet").to_pydict()
    assert columns["time_ms"] == table["time_ms"].to_list()
    assert [bool(v) for v in columns["circuit.left_released"]] == [
        circuits[times.index(time)] for time in columns["time_ms"]
    ]
    dump = waveform(tmp_path / "run.vcd")
    assert dump["press_two_hand.circuits.left_released"] == [(0, "1"), (1000, "0")]
    assert dump["press_two_hand.inputs.left_released"] == [(0, "1")]
    assert any(name.startswith("press_two_hand.parts.ram.") for name in dump)


def test_a_reader_takes_only_the_controllers_view_from_a_simulated_trace(tmp_path: Path) -> None:
    trace, _, _ = simulated(tmp_path)
    machine = read_machine(ROOT / "machines" / "press_two_hand.yaml").machine
    for suffix in (".csv", ".parquet"):
        path = tmp_path / f"run{suffix}"
        write_trace(trace.log(), path)
        log = read_log(path, machine)
        assert set(log.header.signals) == set(signals_of(machine))
        assert log.trouble() == ()


# -- Parquet of others -----------------------------------------------------------------------


def test_a_parquet_table_of_polars_is_read_through_a_column_map(tmp_path: Path) -> None:
    stamps = pl.datetime_range(
        pl.datetime(2026, 7, 1, 10, time_zone="UTC"), pl.datetime(2026, 7, 1, 10, 0, 1, time_zone="UTC"),
        "500ms", eager=True, time_zone="UTC",
    )  # fmt: skip
    path = tmp_path / "table.parquet"
    pl.DataFrame({"t": stamps, "S1": [True, None, False], "n": [0.0, float("nan"), 3.0]}).write_parquet(path)
    layout = ColumnMap.model_validate({"time": {"column": "t"}, "columns": {"S1": "button", "n": "strokes"}})
    log = read_log(path, door(), columns=layout)
    assert [(c.time, c.name, c.value) for c in log.changes()] == [
        (0, "button", 1), (0, "strokes", 0), (500, "button", None), (500, "strokes", None),
        (1000, "button", 0), (1000, "strokes", 3), (1000, "alive", None),
    ]  # fmt: skip
    assert log.header.started == "2026-07-01T10:00:00.000+00:00"
    assert [(t.kind, t.count) for t in log.trouble()] == [(TroubleKind.MISSING, 2)]


@pytest.mark.parametrize(
    ("columns", "layout", "message"),
    [
        ({"t": [1], "button": [1]}, {}, "which column holds the times"),
        ({"time": [1], "button": [1]}, {}, "times in column 'time' are numbers; say their unit"),
        ({"time": ["now"], "button": [1]}, {}, "column 'time' holds (large_)?string"),
        ({"time_ms": [1], "x": [1]}, {}, "nothing in it is a signal of this machine; it has 'x'"),
        ({"time_ms": [1], "x": [1]}, {"columns": {"y": "button"}}, "there is no column 'y'"),
        ({"time_ms": pl.Series([None], dtype=pl.Int64), "button": [1]}, {}, "no row has a time"),
        (
            {"time_ms": [1], "DI": [1], "button": [1]},
            {"columns": {"DI": "button"}},
            "'DI' and 'button' are both 'button'",
        ),
    ],
)
def test_what_is_open_in_a_parquet_table_is_asked_for(
    tmp_path: Path, columns: dict[str, object], layout: dict[str, object], message: str
) -> None:
    path = tmp_path / "table.parquet"
    pl.DataFrame(columns).write_parquet(path)
    with pytest.raises(UsageError, match=message):
        read_log(path, door(), columns=ColumnMap.model_validate(layout))


def test_parquet_times_that_are_none_are_told_and_left_out(tmp_path: Path) -> None:
    path = tmp_path / "table.parquet"
    times = [float("nan"), 0.0, 20.0, float("inf"), 1e300]
    pl.DataFrame({"time_ms": times, "button": [1, 0, 1, 0, 0]}).write_parquet(path)
    log = read_log(path, door())
    assert [(c.time, c.value) for c in log.changes() if c.name == "button"] == [(0, 0), (20, 1)]
    assert [(t.kind, t.count) for t in log.trouble()] == [(TroubleKind.UNREADABLE, 3)]


@pytest.mark.parametrize(
    ("values", "known", "bad"),
    [
        (
            pa.array([b"1", b"\xf2", b"0"]).cast(pa.string(), safe=False),
            [(0, 1), (20, None), (40, 0)],
            1,
        ),
        (pa.array([0, 2**62, 0], pa.timestamp("ms")), [], 3),
    ],
    ids=["no UTF-8", "no date"],
)
def test_a_parquet_value_that_python_cannot_hold_is_told_and_unknown(
    tmp_path: Path, values: pa.Array, known: list[tuple[int, int | None]], bad: int
) -> None:
    """As in a text table: the row is of use, the value is not."""
    path = tmp_path / "log.parquet"
    pq.write_table(pa.table({"time_ms": [0, 20, 40], "button": values}), path)
    log = read_log(path, door())
    assert [(item.time, item.value) for item in log.changes() if item.name == "button"] == known
    assert [(item.kind, item.count) for item in log.trouble()] == [(TroubleKind.BAD_VALUE, bad)]


def test_a_parquet_file_with_spoilt_pages_is_refused_in_one_sentence(tmp_path: Path) -> None:
    """Its footer is whole, so the damage is met while its rows are read."""
    path = tmp_path / "table.parquet"
    rows = list(range(2000))
    pl.DataFrame({"time_ms": rows, "strokes": [row % 7 - 2 for row in rows]}).write_parquet(path)
    content = bytearray(path.read_bytes())
    content[40:400] = bytes(range(90)) * 4
    path.write_bytes(content)
    with pytest.raises(UsageError, match=r"table\.parquet: this Parquet file cannot be read: "):
        list(read_log(path, door()).changes())


def test_a_torn_parquet_file_is_refused_in_one_sentence(tmp_path: Path) -> None:
    path = tmp_path / "table.parquet"
    pl.DataFrame({"time_ms": [1], "button": [1]}).write_parquet(path)
    path.write_bytes(path.read_bytes()[:-20])
    with pytest.raises(UsageError, match=r"table\.parquet: this Parquet file cannot be read: "):
        read_log(path, door())


# -- what can go wrong -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("library", "suffix", "extra"), [("pyarrow", ".parquet", "trace"), ("vcd", ".vcd", "trace")]
)
def test_a_missing_library_is_named_with_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, library: str, suffix: str, extra: str
) -> None:
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(ToolMissing, match=rf"pip install 'stillgate\[{extra}\]'"):
        write_trace(log_in_memory(HEADER, []), tmp_path / f"t{suffix}")
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_suffix_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"the name of a trace ends in \.csv, \.parquet or \.vcd"):
        write_trace(log_in_memory(HEADER, []), tmp_path / "t.xls")


def test_a_failing_log_leaves_the_old_trace_as_it_was(tmp_path: Path) -> None:
    target = tmp_path / "t.csv"
    target.write_text("old")
    log = Log(HEADER, lambda book: (_ for _ in ()).throw(UsageError("torn")))
    with pytest.raises(UsageError, match="torn"):
        write_trace(log, target)
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_the_steps_of_a_run_stand_in_the_trace(tmp_path: Path) -> None:
    record_run(tmp_path / "door.log", RUN)
    write_trace(read_log(tmp_path / "door.log", door()), tmp_path / "t.csv")
    lines = (tmp_path / "t.csv").read_text().splitlines()
    assert lines[0] == "time_ms,power,button,shut,low_pin,leaf,light,strokes,armed,motor,lamp,event"
    assert lines[1] == "0,1,0,0,0,resting,dark,0,0,0,0,"
