"""Logs in CSV: whatever wrote them, the same changes; what is open is asked for, never guessed."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pandas as pd
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recordings import door
from stillgate.controller.errors import MachineFileError, UsageError
from stillgate.sim_io.logs.log import ALIVE, CLOCK_SET, Change, Log, RowMeaning, Subject, Timing, Value
from stillgate.sim_io.logs.log_trouble import TroubleKind
from stillgate.sim_io.logs.readers import read_log
from stillgate.sim_io.logs.readers.columns import ColumnMap, SignalColumn, TimeColumn, read_column_map

INPUT, OUTPUT, STATE, MEMORY = Subject.INPUT, Subject.OUTPUT, Subject.STATE, Subject.MEMORY


def read(folder: Path, text: str | bytes, layout: str = "") -> Log:
    """A log of the door with a column map."""
    path, plan = folder / "log.csv", folder / "map.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    plan.write_text(layout or "{}", encoding="utf-8")
    return read_log(path, door(), columns=plan)


def told(log: Log) -> list[tuple[int, str, Value]]:
    return [(item.time, item.name, item.value) for item in log.changes() if item.name != ALIVE]


def trouble(log: Log) -> dict[TroubleKind, list[tuple[int, str]]]:
    return {item.kind: [(case.line, case.quote) for case in item.examples] for item in log.trouble()}


# -- what others write -----------------------------------------------------------------------

WORDS = (("1", "0"), ("true", "false"), ("TRUE", "FALSE"), ("on", "off"), ("Yes", "No"), ("EIN", "AUS"))
TIMES = st.lists(st.integers(0, 10**7), min_size=1, max_size=12, unique=True).map(sorted)


@given(times=TIMES, data=st.data())
@settings(deadline=None)
def test_a_table_of_the_csv_module_is_read_whatever_its_dialect(
    times: list[int], data: st.DataObject
) -> None:
    """Written by Python's csv module with random delimiters, quoting, line ends, words and units."""
    delimiter = data.draw(st.sampled_from([",", ";", "\t", "|", "~"]))
    quoting = data.draw(st.sampled_from([csv.QUOTE_ALL, csv.QUOTE_MINIMAL, csv.QUOTE_NONNUMERIC]))
    ends = data.draw(st.sampled_from(["\n", "\r\n"]))
    yes, no = data.draw(st.sampled_from(WORDS))
    unit, decimal = data.draw(st.sampled_from([("ms", "."), ("s", "."), ("s", ","), ("us", ".")]))
    levels = data.draw(st.lists(st.booleans(), min_size=len(times), max_size=len(times)))
    counts = data.draw(st.lists(st.integers(-2, 5), min_size=len(times), max_size=len(times)))
    states = data.draw(
        st.lists(st.sampled_from(["resting", "moving"]), min_size=len(times), max_size=len(times))
    )
    stream = io.StringIO()
    writer = csv.writer(stream, delimiter=delimiter, quoting=quoting, lineterminator=ends)  # type: ignore[arg-type]
    writer.writerow(["leaf", "when", "strokes", 'the button, "S1"', "remark"])
    for time, level, count, state in zip(times, levels, counts, states, strict=True):
        when = {"ms": str(time), "us": str(time * 1000), "s": f"{time / 1000:.3f}"}[unit].replace(
            ".", decimal
        )
        writer.writerow([state, when, count, yes if level else no, 'a "quoted"\nline; with, everything|~\t'])
    layout = ColumnMap.model_validate(
        {
            "time": {"column": "when", "as": unit}, "delimiter": delimiter, "decimal": decimal,
            "on": ["EIN"], "off": ["AUS"], "columns": {'the button, "S1"': "button"},
        }
    )  # fmt: skip
    expected: list[Change] = []
    last: dict[str, Value] = {}
    for time, level, count, state in zip(times, levels, counts, states, strict=True):
        for subject, name, value in (
            (STATE, "leaf", state), (MEMORY, "strokes", count), (INPUT, "button", int(level)),
        ):  # fmt: skip
            if last.get(name) != value:
                expected.append(Change(time, subject, name, value))
            last[name] = value
    changes, wrong = read_text(stream.getvalue(), layout)
    assert changes == expected
    assert wrong == {TroubleKind.UNKNOWN_NAME: [(1, "remark")]}


Found = tuple[list[Change], dict[TroubleKind, list[tuple[int, str]]]]


def read_text(text: str, layout: ColumnMap) -> Found:
    """The changes and the trouble of a text."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        path.write_bytes(text.encode())
        log = read_log(path, door(), columns=layout)
        return [item for item in log.changes() if item.name != ALIVE], trouble(log)


def frame() -> dict[str, list[Any]]:
    return {
        "button": [True, None, False, True],
        "strokes": [0, 1, None, 3],
        "motor": [0.0, 1.0, 1.0, 0.0],
        "leaf": ["resting", "moving", "moving", None],
    }


EXPECTED = [
    (0, "button", 1), (0, "strokes", 0), (0, "motor", 0), (0, "leaf", "resting"),
    (250, "button", None), (250, "strokes", 1), (250, "motor", 1), (250, "leaf", "moving"),
    (500, "button", 0), (500, "strokes", None),
    (750, "button", 1), (750, "strokes", 3), (750, "motor", 0), (750, "leaf", None),
]  # fmt: skip


def test_a_table_of_pandas_with_gaps_and_decimal_commas_is_read(tmp_path: Path) -> None:
    """pandas turns columns with gaps into floats and objects: 1.0, True and nan stand in the file."""
    stamps = pd.date_range("2026-07-01 10:00:00", periods=4, freq="250ms", tz="Europe/Berlin")
    table = pd.DataFrame(frame(), index=pd.Index(stamps, name="Zeit"))
    text = table.to_csv(sep=";", decimal=",", na_rep="nan", lineterminator="\r\n")
    assert "1,0" in text
    log = read(tmp_path, text, "{time: {column: Zeit}, decimal: ',', delimiter: ';'}")
    assert told(log) == EXPECTED
    assert log.header.started == "2026-07-01T08:00:00.000+00:00"
    assert [len(found) for found in trouble(log).values()] == [3]


def test_a_table_of_polars_with_its_own_dates_and_nulls_is_read(tmp_path: Path) -> None:
    stamps = pl.datetime_range(
        pl.datetime(2026, 7, 1, 10), pl.datetime(2026, 7, 1, 10, 0, 0, 750_000), "250ms", eager=True
    )
    table = pl.DataFrame({**frame(), "t": stamps})
    text = table.write_csv(separator="\t", datetime_format="%d/%m/%Y %H-%M-%S%.3f", null_value="NULL")
    layout = "time: {column: t, as: date-time, format: '%d/%m/%Y %H-%M-%S.%f'}"
    log = read(tmp_path, text, layout)
    assert told(log) == EXPECTED
    assert log.header.started == "2026-07-01T10:00:00.000"
    assert trouble(log) == {TroubleKind.MISSING: [(3, "button"), (4, "strokes"), (5, "leaf")]}


def test_our_own_trace_needs_no_map(tmp_path: Path) -> None:
    text = "time_ms,power,button,leaf,event\n7000,1,1,resting,\n7020,0,?,-,\n7040,0,?,-,closed\n"
    assert told(read(tmp_path, text)) == [
        (7000, "power", 1), (7000, "button", 1), (7000, "leaf", "resting"),
        (7020, "power", 0), (7020, "button", None), (7020, "leaf", ""), (7040, "closed", None),
    ]  # fmt: skip


def test_rows_that_name_one_signal_are_read(tmp_path: Path) -> None:
    text = "t;tag;v\n0;button;0\n20;DI 3;1\n20;zzz;1\n40;DI 3;0\n"
    log = read(tmp_path, text, "{time: {column: t, as: ms}, name: tag, value: v, columns: {DI 3: shut}}")
    assert told(log) == [(0, "button", 0), (20, "shut", 1), (40, "shut", 0)]
    assert trouble(log) == {TroubleKind.UNKNOWN_NAME: [(4, "zzz")]}


def test_columns_may_be_inverted_and_numbers_have_a_threshold(tmp_path: Path) -> None:
    text = "time_ms,NO,bar\n0,1,11.9\n20,0,12.1\n"
    log = read(
        tmp_path, text, "columns: {NO: {signal: shut, inverted: true}, bar: {signal: button, above: 12.0}}"
    )
    assert told(log) == [(0, "shut", 0), (0, "button", 0), (20, "shut", 1), (20, "button", 1)]


def test_another_encoding_is_read_when_it_is_named(tmp_path: Path) -> None:
    text = "Zeit_ms;Tür zu\n0;1\n".encode("cp1252")
    with pytest.raises(UsageError, match=r"log.csv:1: the header is no text in utf-8; .* 'encoding: cp1252'"):
        read(tmp_path, text, "{time: {column: Zeit_ms, as: ms}}")
    log = read(tmp_path, text, "{encoding: cp1252, time: {column: Zeit_ms, as: ms}, columns: {Tür zu: shut}}")
    assert told(log) == [(0, "shut", 1)]


# -- times -----------------------------------------------------------------------------------


def test_an_hour_that_comes_twice_is_told_apart_as_pandas_does(tmp_path: Path) -> None:
    """Against pandas.tz_localize(ambiguous='infer'); summer time ends in Berlin on 2026-10-25."""
    local = pd.to_datetime(
        ["2026-10-25 01:59:30", "2026-10-25 02:20:00", "2026-10-25 02:50:00", "2026-10-25 02:10:00",
         "2026-10-25 02:55:00", "2026-10-25 03:00:10"]
    )  # fmt: skip
    rows = "".join(f"{stamp},{index % 2}\n" for index, stamp in enumerate(local))
    log = read(tmp_path, "time,button\n" + rows, "time: {zone: Europe/Berlin}")
    true = local.tz_localize("Europe/Berlin", ambiguous="infer")
    assert [time for time, _, _ in told(log)] == [int((s - true[0]).total_seconds() * 1000) for s in true]
    assert trouble(log)[TroubleKind.CLOCK][0][0] == 3
    assert log.header.started == "2026-10-24T23:59:30.000+00:00"


def test_an_hour_that_never_was_is_told(tmp_path: Path) -> None:
    text = "time,button\n2026-03-29 01:59:59,0\n2026-03-29 02:30:00,1\n"
    log = read(tmp_path, text, "time: {zone: Europe/Berlin}")
    list(log.changes())
    [(line, quote)] = trouble(log)[TroubleKind.CLOCK]
    assert line == 3
    assert "this hour never was in Europe/Berlin" in quote


BACK = """\
time,button
2026-10-25 02:59:58,0
2026-10-25 02:59:59,1
2026-10-25 02:00:00,0
2026-10-25 03:00:00,1
"""


def test_a_clock_that_goes_back_is_an_error_that_names_what_decides(tmp_path: Path) -> None:
    log = read(tmp_path, BACK)
    with pytest.raises(
        UsageError, match=r"log.csv:4: the clock goes back by 3599 s .* 'time: \{zone: \.\.\.\}'"
    ):
        list(log.changes())
    going_on = read(tmp_path, BACK, "clock: continue")
    assert told(going_on) == [
        (0, "button", 0), (1000, "button", 1), (1020, "button", None), (1140, CLOCK_SET, None),
        (1140, "button", 0), (3_601_140, "button", 1),
    ]  # fmt: skip
    assert trouble(going_on)[TroubleKind.CLOCK] == [
        (4, "3599 s back"),
        (5, "1 h forward; is it the beginning of summer time?"),
    ]
    skipping = read(tmp_path, BACK, "clock: skip")
    assert told(skipping) == [
        (0, "button", 0), (1000, "button", 1), (1020, "button", None), (2000, CLOCK_SET, None),
        (2000, "button", 1),
    ]  # fmt: skip
    assert trouble(skipping)[TroubleKind.CLOCK] == [(4, "3599 s back")]


def test_offsets_in_the_file_need_no_zone(tmp_path: Path) -> None:
    text = "time,button\n2026-10-25T02:59:59+02:00,0\n2026-10-25T02:00:00+01:00,1\n"
    log = read(tmp_path, text)
    assert told(log) == [(0, "button", 0), (1000, "button", 1)]
    assert trouble(log) == {}


LATE = "time_ms,button\n0,0\n40,1\n20,0\n60,0\n50,1\n80,1\n"


def test_a_late_row_is_skipped_and_told(tmp_path: Path) -> None:
    log = read(tmp_path, LATE)
    assert told(log) == [
        (0, "button", 0), (40, "button", 1), (60, "button", None), (60, "button", 0),
        (80, "button", None), (80, "button", 1),
    ]  # fmt: skip
    assert trouble(log) == {TroubleKind.LATE: [(4, "20 ms late"), (6, "10 ms late")]}


def test_late_rows_are_sorted_in_when_the_map_says_how_late(tmp_path: Path) -> None:
    log = read(tmp_path, LATE, "late: 15 ms")
    assert told(log) == [(0, "button", 0), (40, "button", 1), (60, "button", 0), (80, "button", 1)]
    log = read(tmp_path, LATE, "late: 20 ms")
    assert [time for time, _, _ in told(log)] == [0, 40, 60, 80]
    assert trouble(log) == {TroubleKind.SORTED: [(4, "20 ms late"), (6, "10 ms late")]}


@given(times=st.lists(st.integers(0, 2000), min_size=1, max_size=40))
@settings(deadline=None)
def test_rows_within_the_window_come_out_sorted_and_none_is_lost(times: list[int]) -> None:
    text = "time_ms,strokes\n" + "".join(f"{time},{number % 8 - 2}\n" for number, time in enumerate(times))
    changes, wrong = read_text(text, ColumnMap.model_validate({"late": "2 s"}))
    found = [change.time for change in changes]
    assert found == sorted(found)
    assert TroubleKind.LATE not in wrong


def test_a_pause_in_sampled_rows_is_a_gap_in_which_everything_is_unknown(tmp_path: Path) -> None:
    text = "time_ms,button,leaf\n0,0,resting\n100,1,moving\n205,1,moving\n1000,1,moving\n"
    log = read(tmp_path, text, "every: 100 ms")
    assert told(log)[4:] == [
        (305, "button", None), (305, "leaf", None), (1000, "button", 1), (1000, "leaf", "moving"),
    ]  # fmt: skip
    assert trouble(log) == {TroubleKind.GAP: [(5, "795 ms without a row")]}


@pytest.mark.parametrize(
    ("sample", "layout", "zero", "started"),
    [
        ("1767225600.5", "time: {as: s}", "1767225600.5", ""),
        ("-20", "time: {as: ms}", "-20", ""),
        ("12.5", "time: {as: s}", "", ""),
        ("2026-01-01T00:00:00Z", "", "2026-01-01T00:00:00Z", "2026-01-01T00:00:00.000+00:00"),
    ],
)
def test_time_0_is_the_files_own_or_the_first_row(
    tmp_path: Path, sample: str, layout: str, zero: str, started: str
) -> None:
    log = read(tmp_path, f"time,button\n{sample},1\n", layout)
    assert (log.header.zero, log.header.started) == (zero, started)
    assert told(log) == [(12500 if sample == "12.5" else 0, "button", 1)]


def test_times_are_rounded_down_to_milliseconds_without_the_errors_of_binary_fractions(
    tmp_path: Path,
) -> None:
    text = "time_s,button\n1.001,1\n1.0019999,0\n4.35,1\n"
    assert [time for time, _, _ in told(read(tmp_path, text))] == [1001, 1001, 4350]


# -- what is wrong ---------------------------------------------------------------------------


def test_rows_that_cannot_be_read_are_quoted_with_their_lines(tmp_path: Path) -> None:
    text = "time_ms,button,shut\n0,1,0\n20,1\nsoon,1,1\n40,1,0,9\n\n60,0,0\n"
    log = read(tmp_path, text)
    assert told(log) == [
        (0, "button", 1), (0, "shut", 0), (20, "button", None), (20, "shut", None),
        (60, "button", 0), (60, "shut", 0),
    ]  # fmt: skip
    assert trouble(log) == {
        TroubleKind.UNREADABLE: [
            (3, "2 columns instead of 3: 20,1"), (4, "no time: soon,1,1"),
            (5, "4 columns instead of 3: 40,1,0,9"),
        ]
    }  # fmt: skip


def test_values_that_are_none_are_unknown_and_quoted(tmp_path: Path) -> None:
    text = "time_ms,button,strokes,leaf\n0,1,0,resting\n20,2,9,flying\n40,1,0.5,RESTING\n60,maybe,1.0,off\n"
    log = read(tmp_path, text)
    assert [entry for entry in told(log) if entry[0] == 20] == [
        (20, "button", None), (20, "strokes", None), (20, "leaf", None),
    ]  # fmt: skip
    assert [entry for entry in told(log) if entry[0] > 20] == [
        (40, "button", 1), (40, "leaf", "resting"), (60, "button", None), (60, "strokes", 1),
        (60, "leaf", ""),
    ]  # fmt: skip
    assert trouble(log)[TroubleKind.BAD_VALUE] == [
        (3, "button = 2"), (3, "strokes = 9"), (3, "leaf = flying"), (4, "strokes = 0.5"),
        (5, "button = maybe"),
    ]  # fmt: skip


def test_an_empty_cell_is_unknown_unless_the_map_says_as_before(tmp_path: Path) -> None:
    text = "time_ms,button,shut\n0,1,0\n20,,1\n40,0,\n"
    log = read(tmp_path, text)
    assert (20, "button", None) in told(log)
    assert trouble(log) == {TroubleKind.MISSING: [(3, "button"), (4, "shut")]}
    log = read(tmp_path, text, "empty: as before")
    assert told(log) == [(0, "button", 1), (0, "shut", 0), (20, "shut", 1), (40, "button", 0)]
    assert trouble(log) == {}


@pytest.mark.parametrize(
    ("text", "layout", "message"),
    [
        ("a b\n1 2\n", "", r"log.csv:1: the header has no ',', ';', tab or '\|'; say in the column map"),
        ("time_ms,a;b\n0,1;2\n", "", r"log.csv:1: the header has ',' and ';'; say .*delimiter: ';'"),
        ("when,button\n0,1\n", "", "log.csv:1: which column holds the times"),
        ("time,button\n12,1\n", "", r"log.csv:2: the time '12' in column 'time' is a number; say its unit"),
        ("time,button\n03/04/2026 10:00,1\n", "", r"log.csv:2: .* is not a date-time of ISO 8601; .* format"),
        ("time,button\n2026-01-01,1\n", "", r"is not a date-time of ISO 8601"),
        ("time;button\n1,5;1\n", "time: {as: s}", r"has a comma; if it is the decimal mark, say .decimal"),
        ("time,button\nnow,1\n", "time: {as: s}", "is no number; say in the column map how"),
        ("time_ms,botton\n0,1\n", "", "nothing in it is a signal .* it has 'botton', .*'button'"),
        ("time_ms,DI1\n0,1\n", "columns: {DI 1: button}", "there is no column 'DI 1' .did you mean 'DI1'.*"),
        ("time_ms,DI1\n0,1\n", "columns: {DI1: buton}", "map.yaml: the machine has no signal 'buton' .did"),
        ("time_ms,button,button\n0,1,0\n", "", "'button' stands twice among the columns"),
        ("time_ms,button\n", "", "there is a header, and no row with a time after it"),
        ("time_ms,button\n0,1\n", "delimiter: ', '", "a delimiter is one character"),
        ("time,button\n2026-01-01 10:00:00,1\n", "time: {zone: Mars}", "the time zone 'Mars' is not known"),
        ("time_ms,n,v\n0,button,1\n", "name: n", "needs both 'name' and 'value'"),
        ("time_ms,DI1,button\n0,1,0\n", "columns: {DI1: button}", "columns 'DI1' and 'button' are both"),
        ("time_ms,button\r0,1\r20,0\r", "", "lines that end with CR alone are not read"),
        ("time,button\n1,5;1\n", "delimiter: ';'", "which column holds the times"),
        ("time;button\n1,5;1\n", "", "is a number with a comma; say in the column map its unit and"),
        ("time_ms,button\n0,1\n", "delimiter: ''", "a delimiter is one character"),
        ("time_ms,button\n0,1\n", 'delimiter: "\\n"', "one character and no quote or line break"),
        ("time_ms,button\n" + "9" * 30 + ",1\n", "", "log.csv:2: '9+' is not a time in ms"),
        ("time_s,button\n1767225600000000,1\n", "", r"log.csv:2: '1767225600000000' is not a time in s"),
        ("time_ms,ti\x00me,button\n0,1\n", "", "this is no log that can be read: it is binary"),
        ("\n\n", "", "there is no header line with the names of the columns"),
        ("time_ms,leaf\n0,resting\n", "columns: {leaf: {signal: leaf, inverted: true}}",
         "'inverted' and 'above' of column 'leaf' are for inputs and outputs; 'leaf' is neither"),
    ],
)  # fmt: skip
def test_what_is_open_is_asked_for_by_name(tmp_path: Path, text: str, layout: str, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        list(read(tmp_path, text, layout).changes())


@pytest.mark.parametrize(
    ("layout", "message"),
    [
        ("tmie: {column: t}", r"map.yaml:1:1: unknown key 'tmie'\n.*\n.*\n +did you mean 'time'"),
        ("time: {colum: t}", r"map.yaml:1:8: unknown key 'colum'"),
        ("time: {as: hours}", r"map.yaml:1:12: 'hours' is not 's', 'ms', 'us', 'ns' or 'date-time'"),
        ("every: 100", r"map.yaml:1:8: 100 is a number without a unit"),
        ("columns: {a: {inverted: true}}", r"map.yaml:1:\d+: 'signal' is missing here"),
        ("columns: [a]", r"map.yaml:1:10: this does not fit here"),
        ("on: [EIN]\noff: [aus, ein]", r"map.yaml:1:1: 'ein' is among the words for true and for false"),
        ("every: 0 s", r"map.yaml:1:1: 'every' is the time between two rows; it is longer than 0"),
        ("begins: now", r"map.yaml:1:9: 'now' is not 'anywhere' or 'at power-on'"),
        ("encoding: klingon", r"map.yaml:1:11: there is no encoding 'klingon'; there are utf-8, cp1252"),
        ("encoding: latin_11", r"map.yaml:1:11: there is no encoding 'latin_11'; did you mean 'latin1'"),
        ("encoding: utf-16", r"map.yaml:1:11: texts in utf-16 are not read; save the log in UTF-8"),
        ("encoding: base64", r"map.yaml:1:11: there is no encoding 'base64'"),
        ("[]", r"map.yaml:1:1: a column map begins with keys"),
        ("a: [", r"map.yaml:1:"),
    ],
)  # fmt: skip
def test_faults_of_a_map_are_told_with_their_places(tmp_path: Path, layout: str, message: str) -> None:
    (tmp_path / "map.yaml").write_text(layout)
    with pytest.raises(MachineFileError) as caught:
        read_column_map(tmp_path / "map.yaml")
    assert re.search(message, str(caught.value)), str(caught.value)


def test_a_map_that_cannot_be_opened_is_refused_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="the column map cannot be read: no such file"):
        read_column_map(tmp_path / "none.yaml")
    with pytest.raises(UsageError, match="is not COLUMN=SIGNAL"):
        ColumnMap().with_columns(["button"])
    assert ColumnMap().with_columns(["a=b=button"]).columns == {"a=b": "button"}


def test_an_empty_map_is_refused_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "map.yaml").write_text("\n")
    with pytest.raises(UsageError, match=r"map\.yaml: the column map is empty; leave it out"):
        read_column_map(tmp_path / "map.yaml")


@pytest.mark.parametrize("name", ["UTF-16", "UTF-16-LE", "UTF-16-BE", "UTF-32", "UTF-32-LE", "UTF-32-BE"])
def test_a_text_of_several_bytes_a_character_is_refused_by_name(tmp_path: Path, name: str) -> None:
    """As spreadsheets save 'Unicode text'; some programs leave the mark at its beginning out."""
    with pytest.raises(UsageError, match=f"the text is in {name[:6]}, which is not read; save it in UTF-8"):
        read(tmp_path, "time_ms,button\n0,1\n".encode(name))


def test_words_of_the_map_come_before_those_that_are_known_anyway(tmp_path: Path) -> None:
    log = read(tmp_path, "time_ms,button\n0,1\n20,0\n", "{on: ['0'], off: ['1']}")
    assert told(log) == [(0, "button", 0), (20, "button", 1)]


def test_a_zero_byte_within_the_rows_spoils_its_value_only(tmp_path: Path) -> None:
    """As a computer that lost its power leaves them in a file."""
    log = read(tmp_path, b"time_ms,button\n0,1\n20,\0\0\n40,0\n")
    assert told(log) == [(0, "button", 1), (20, "button", None), (40, "button", 0)]
    assert list(trouble(log)) == [TroubleKind.BAD_VALUE]


def test_a_column_that_is_called_almost_like_a_signal_is_told_with_it(tmp_path: Path) -> None:
    log = read(tmp_path, "time_ms,Button_1,shut,shut_2,x\n0,1,1,1,1\n")
    assert [quote for _, quote in trouble(log)[TroubleKind.UNKNOWN_NAME]] == [
        "Button_1 (did you mean 'button'?)", "shut_2", "x",
    ]  # fmt: skip


AHEAD = "time,button\n1970-01-01 00:00:05,0\n2026-07-01 10:00:00,1\n2026-07-01 10:00:01,0\n"


def test_a_clock_that_was_set_days_ahead_is_told_and_can_be_taken_out(tmp_path: Path) -> None:
    """20635 days: by Python's datetime."""
    log = read(tmp_path, AHEAD)
    assert [time for time, _, _ in told(log)][1] == 1_782_899_995_000
    assert trouble(log) == {TroubleKind.CLOCK: [(3, "20635 days forward, taken as time that passed")]}
    log = read(tmp_path, AHEAD, "clock: continue")
    assert told(log) == [
        (0, "button", 0), (20, "button", None), (140, CLOCK_SET, None), (140, "button", 1),
        (1140, "button", 0),
    ]  # fmt: skip
    assert trouble(log) == {TroubleKind.CLOCK: [(3, "20635 days forward, taken as a clock that was set")]}


def test_a_log_lasts_to_its_last_row_even_if_that_says_nothing_new(tmp_path: Path) -> None:
    log = read(tmp_path, "time_ms,button\n0,1\n20,1\n600000,1\n")
    assert list(log.changes()) == [
        Change(0, INPUT, "button", 1), Change(600_000, Subject.EVENT, ALIVE, None),
    ]  # fmt: skip


def test_rows_that_stand_at_no_scan_are_refused_where_every_row_is_said_to(tmp_path: Path) -> None:
    text = "time_ms,button\n0,0\n20,1\n47,0\n"
    with pytest.raises(UsageError, match=r"log.csv:4: 'accuracy: 0 ms' .* at 47 ms .*'accuracy: 20 ms'"):
        list(read(tmp_path, text, "accuracy: 0 ms").changes())
    assert len(told(read(tmp_path, text, "accuracy: 20 ms"))) == 3


@pytest.mark.parametrize(
    ("layout", "timing"),
    [
        ("", Timing(RowMeaning.SAMPLES, 20, stated=False)),
        ("every: 100 ms", Timing(RowMeaning.SAMPLES, 20)),
        ("every: 100 ms\naccuracy: 50 ms", Timing(RowMeaning.SAMPLES, 50)),
        ("every: 100 ms\naccuracy: 0 ms", Timing(RowMeaning.SAMPLES, 0)),
        ("accuracy: 50 ms", Timing(RowMeaning.CHANGES, 50)),
        ("accuracy: 0 ms", Timing(RowMeaning.SCANS)),
        ("every: 20 ms\naccuracy: 0 ms", Timing(RowMeaning.SCANS)),
    ],
)
def test_a_map_says_what_the_times_of_a_log_say_of_the_scans(
    tmp_path: Path, layout: str, timing: Timing
) -> None:
    """The door scans every 20 ms. What nobody states is taken as the least that a row can mean."""
    assert read(tmp_path, "time_ms,button\n0,0\n", layout).header.timing == timing


def test_what_a_row_repeats_is_told_again(tmp_path: Path) -> None:
    log = read(tmp_path, "time_ms,button\n0,0\n20,0\n40,1\n")
    assert [item.time for item in log.told() if item.name == "button"] == [0, 20, 40]
    assert [item.time for item in log.changes() if item.name == "button"] == [0, 40]


def test_times_before_zero_are_rounded_down_too(tmp_path: Path) -> None:
    log = read(tmp_path, "time_s,button\n-1.0005,1\n0,0\n")
    assert [time for time, _, _ in told(log)] == [0, 1001]


def test_every_key_of_a_map_stands_in_the_guide() -> None:
    page = (Path(__file__).parents[4] / "docs" / "how-to" / "bring-your-own-log.md").read_text()
    for model in (ColumnMap, TimeColumn, SignalColumn):
        for name, field in model.model_fields.items():
            assert re.search(rf"[`{{ ]{field.alias or name}[`:}}]", page), name
