"""Times as people write them, and the duration literals of IEC 61131-3."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from stillgate.controller.errors import TextError
from stillgate.controller.expressions.durations import (
    LONGEST,
    OTHER_SPELLINGS,
    UNITS,
    format_duration,
    format_elapsed,
    format_moment,
    format_moments,
    parse_duration,
    parse_duration_range,
    parse_literal,
)

DAY, HOUR, MINUTE = 86_400_000, 3_600_000, 60_000

PUBLISHED_LITERALS = {
    "T#14ms": Fraction(14),
    "T#-14ms": Fraction(-14),
    "T#14.7s": Fraction(14_700),
    "T#14.7m": Fraction(147, 10) * MINUTE,
    "T#14.7h": Fraction(147, 10) * HOUR,
    "t#14.7d": Fraction(147, 10) * DAY,
    "t#25h15m": Fraction(25 * HOUR + 15 * MINUTE),
    "TIME#14ms": Fraction(14),
    "time#5d_14h_12m_18s_3.5ms": 5 * DAY + 14 * HOUR + 12 * MINUTE + 18_000 + Fraction(7, 2),
}
"""IEC 61131-3 edition 2, 2.2.3.1 and Annex B.1.2.3.1: duration literals; values by hand."""


@pytest.mark.parametrize(("text", "milliseconds"), PUBLISHED_LITERALS.items())
def test_published_duration_literals_have_their_exact_value(text: str, milliseconds: Fraction) -> None:
    """Source: IEC 61131-3 edition 2, Table 7 and Annex B.1.2.3.1."""
    assert parse_literal(text) == milliseconds


@pytest.mark.parametrize(
    ("text", "milliseconds"),
    [
        ("20 ms", 20),
        ("1.5 s", 1500),
        ("2 min", 120_000),
        ("1 h", HOUR),
        ("1h", HOUR),
        (" 0.25 s ", 250),
        ("20 MS", 20),
        ("0 ms", 0),
        ("T#500ms", 500),
        ("TIME#1m30s", 90_000),
        ("t#1d5m", DAY + 5 * MINUTE),  # edition 3 lets a unit be skipped (from memory)
        ("2147483647 ms", LONGEST),
    ],
)
def test_times_become_whole_milliseconds(text: str, milliseconds: int) -> None:
    assert parse_duration(text) == milliseconds


WRONG_TIMES = [
    ("20", "'20' is a number without a unit", "say '20 ms' or '20 s'", "20"),
    ("-5 ms", "a time cannot be negative", "say '5 ms'", "-5 ms"),
    ("T#-14ms", "a time cannot be negative", "", "T#-14ms"),
    ("1.5 ms", "the time is finer than a millisecond", "say '2 ms'", "1.5 ms"),
    (
        "time#5d_14h_12m_18s_3.5ms",
        "finer than a millisecond",
        "say '483138004 ms'",
        "time#5d_14h_12m_18s_3.5ms",
    ),
    ("40 days", "'days' is not a unit of time", "units are ms, s, min and h", "days"),
    ("soon", "'soon' is not a time", "write a time like '20 ms'", "soon"),
    ("", "'' is not a time", "write a time like", ""),
    ("25 h 1 min", "is not a time", "write a time like", "25 h 1 min"),
    ("600 h", "longer than 24.8 days", "2147483647 ms", "600 h"),
    ("T#5m3h", "the units of a literal go from d over h", "", "3h"),
    ("T#3h3h", "the units of a literal go from d over h", "", "3h"),
    ("T#1.5h3m", "only the last unit of a literal may have a fraction", "", "3m"),
    ("T#", "no unit here", "T#1h30m", ""),
    ("T#5", "no unit here", "T#1h30m", "5"),
    ("T#5s__3ms", "no unit here", "T#1h30m", "_3ms"),
]


@pytest.mark.parametrize(("text", "message", "hint", "marked"), WRONG_TIMES)
def test_what_is_no_time_is_refused_at_its_place(text: str, message: str, hint: str, marked: str) -> None:
    with pytest.raises(TextError) as caught:
        parse_duration(text)
    error = caught.value
    assert message in error.message
    assert hint in error.hint
    assert text[error.start : error.end] == marked


@pytest.mark.parametrize(("spelling", "unit"), OTHER_SPELLINGS.items())
def test_other_spellings_of_units_are_answered_with_the_right_one(spelling: str, unit: str) -> None:
    with pytest.raises(TextError, match=f"'{spelling}' is not a unit of time") as caught:
        parse_duration(f"3 {spelling}")
    assert caught.value.hint == f"say '3 {unit}'"


@pytest.mark.parametrize(
    ("text", "bounds"),
    [
        ("3..5 s", (3000, 5000)),
        ("300 ms..2 s", (300, 2000)),
        ("3 s", (3000, 3000)),
        ("0.5..1.5 s", (500, 1500)),
        ("T#1s..T#2s", (1000, 2000)),
        ("0 ms..1 h", (0, HOUR)),
    ],
)
def test_ranges_give_shortest_and_longest(text: str, bounds: tuple[int, int]) -> None:
    assert parse_duration_range(text) == bounds


@pytest.mark.parametrize(
    ("text", "message", "hint", "marked"),
    [
        ("5..3 s", "the range runs backwards", "say '3 s..5 s'", "5..3 s"),
        ("2 s..300 ms", "at least 2 s and at most 300 ms", "say '300 ms..2 s'", "2 s..300 ms"),
        ("3..5", "'5' is a number without a unit", "say '5 ms' or '5 s'", "5"),
        ("3 s..5 sec", "'sec' is not a unit", "say '5 s'", "sec"),
        ("x..5 s", "'x' is not a time", "", "x"),
        ("3..", "is not a time", "", ""),
    ],
)
def test_what_is_no_range_is_refused_at_its_place(text: str, message: str, hint: str, marked: str) -> None:
    with pytest.raises(TextError) as caught:
        parse_duration_range(text)
    error = caught.value
    assert message in error.message
    assert hint in error.hint
    assert text[error.start : error.end] == marked


@pytest.mark.parametrize(
    ("milliseconds", "text"),
    [
        (0, "0 ms"), (80, "80 ms"), (999, "999 ms"), (1000, "1 s"), (1001, "1.001 s"), (1250, "1.25 s"),
        (1500, "1.5 s"), (60_000, "1 min"), (90_000, "90 s"), (90_500, "90.5 s"), (120_000, "2 min"),
        (3_600_000, "1 h"), (5_400_000, "90 min"),
    ],
)  # fmt: skip
def test_a_length_of_time_has_one_exact_spelling(milliseconds: int, text: str) -> None:
    assert format_duration(milliseconds) == text


@pytest.mark.parametrize(
    ("milliseconds", "text"),
    [
        (0, "0 ms"), (40, "40 ms"), (999, "999 ms"), (1000, "1 s"), (1200, "1.2 s"), (1234, "1.234 s"),
        (59_999, "59.999 s"), (60_000, "1 min"), (125_400, "2 min 5 s"), (3_600_000, "1 h"),
        (3_790_000, "1 h 3 min"),
    ],
)  # fmt: skip
def test_what_has_passed_is_said_as_people_say_it(milliseconds: int, text: str) -> None:
    """Exact below a minute, then rounded down to the smaller unit shown."""
    assert format_elapsed(milliseconds) == text


@pytest.mark.parametrize(
    ("milliseconds", "text"),
    [(0, "0.000 s"), (14_320, "14.320 s"), (187_020, "3:07.020"), (3_727_000, "1:02:07.000")],
)
def test_a_moment_of_a_log_is_written_as_a_clock_shows_it(milliseconds: int, text: str) -> None:
    assert format_moment(milliseconds) == text


@pytest.mark.parametrize(
    ("times", "texts"),
    [
        ([], []),
        ([0, 1500], ["0.0 s", "1.5 s"]),
        ([0, 20, 1500], ["0.00 s", "0.02 s", "1.50 s"]),
        ([5, 90_000], ["0.005 s", "90.000 s"]),
    ],
)
def test_the_moments_of_a_table_have_as_many_decimals_as_the_finest(
    times: list[int], texts: list[str]
) -> None:
    assert format_moments(times) == texts


@given(st.integers(0, LONGEST) | st.integers(0, LONGEST // 100).map(lambda tenths: 100 * tenths))
@example(215_609_700)  # floats printed to six digits would make it 215610 s
def test_a_time_survives_being_written_and_read(milliseconds: int) -> None:
    assert parse_duration(format_duration(milliseconds)) == milliseconds


@given(st.integers(0, 10**5), st.sampled_from(sorted(UNITS)), st.sampled_from(["", " ", "  "]))
def test_number_times_unit_is_the_time(number: int, unit: str, gap: str) -> None:
    expected = number * UNITS[unit]
    if expected <= LONGEST:
        assert parse_duration(f"{number}{gap}{unit}") == expected


@given(st.text(max_size=30))
def test_no_text_does_anything_but_parse_or_be_refused(text: str) -> None:
    for parse in (parse_duration, parse_duration_range):
        try:
            parse(text)
        except TextError as error:
            assert 0 <= error.start <= error.end <= len(text) + 1
