"""Times as people write them: ``20 ms``, ``1.5 s``, and the duration literals of IEC 61131-3.

Text becomes whole milliseconds here and nowhere else, and milliseconds of a machine become text here and
nowhere else. A bare number is refused, because a time without a unit is read differently by different people.

Literals follow IEC 61131-3 edition 2, Annex B.1.2.3.1 (``T#14.7s``, ``time#5d_14h_12m_18s``):
units in falling order, a fraction only in the last, a single underline between units. As
in edition 3 a unit may be skipped (``T#1d5m``). ``_`` elsewhere and negative times are refused.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from fractions import Fraction

from ..errors import TextError
from ..visible_text import one_line

Milliseconds = int
"""A time in whole milliseconds."""

Ticks = int
"""A time in steps of the period in use (the scan, or the check's tick)."""

UNITS = {"ms": 1, "s": 1000, "min": 60_000, "h": 3_600_000}
"""Milliseconds in each unit that a time is written with."""

LITERAL_UNITS = {"d": 86_400_000, "h": 3_600_000, "m": 60_000, "s": 1000, "ms": 1}
"""Milliseconds in each unit of an IEC 61131-3 literal, in falling order."""

LONGEST = 2**31 - 1
"""Longest time in milliseconds, 24.8 days: what a 32-bit signed number holds."""

OTHER_SPELLINGS = {
    "sec": "s", "secs": "s", "second": "s", "seconds": "s", "msec": "ms", "millisecond": "ms",
    "milliseconds": "ms", "m": "min", "mins": "min", "minute": "min", "minutes": "min",
    "hr": "h", "hrs": "h", "hour": "h", "hours": "h",
}  # fmt: skip
"""Unit spellings people try, and the one meant."""

PLAIN = re.compile(r"([+-]?)(\d+(?:\.\d+)?)\s*([A-Za-zµ]*)", re.ASCII)
LITERAL = re.compile(r"(?:t|time)#", re.ASCII | re.IGNORECASE)
LITERAL_PART = re.compile(r"(\d+(?:\.\d+)?)(ms|d|h|m|s)", re.ASCII | re.IGNORECASE)
EXAMPLES = "write a time like '20 ms', '1.5 s', '2 min' or '1 h'"


def parse_duration(text: str) -> int:
    """Milliseconds of one time.

    Raises:
        TextError: if the text is no time, has no unit, is negative, finer than a millisecond
            or longer than 24.8 days.
    """
    stripped = text.strip()
    start = text.find(stripped) if stripped else 0
    end = start + len(stripped)
    if LITERAL.match(stripped):
        return _whole(parse_literal(stripped, start), start, end)
    match = PLAIN.fullmatch(stripped)
    if match is None:
        raise TextError(f"'{shorten(stripped)}' is not a time", start, max(end, start + 1), EXAMPLES)
    sign, digits, unit = match.groups()
    if sign == "-":
        raise TextError("a time cannot be negative", start, end, f"say '{digits} {unit or 'ms'}'")
    known = unit if unit in UNITS else unit.lower()
    if not unit:
        raise TextError(
            f"'{shorten(digits)}' is a number without a unit",
            start,
            end,
            f"say '{shorten(digits)} ms' or '{shorten(digits)} s'",
        )
    if known not in UNITS:
        meant = OTHER_SPELLINGS.get(known)
        raise TextError(
            f"'{shorten(unit)}' is not a unit of time",
            start + match.start(3),
            end,
            f"say '{shorten(digits)} {meant}'" if meant else "units are ms, s, min and h",
        )
    return _whole(Fraction(digits) * UNITS[known], start, end)


def parse_literal(text: str, offset: int = 0) -> Fraction:
    """Milliseconds of an IEC 61131-3 literal, exactly; ``T#-14ms`` is negative.

    Raises:
        TextError: if units repeat, rise, or a fraction is not in the last one; offsets are
            shifted by ``offset``.
    """
    match = LITERAL.match(text)
    if match is None:
        raise TextError("not a duration literal", offset, offset + len(text), "say 'T#500ms'")
    place = match.end()
    sign = 1
    if text[place : place + 1] == "-":
        sign, place = -1, place + 1
    total = Fraction(0)
    order = list(LITERAL_UNITS)
    rank = -1
    fraction = False
    first = True
    while first or place < len(text):
        if not first and text[place] == "_":
            place += 1
        part = LITERAL_PART.match(text, place)
        if part is None:
            raise TextError(
                "this duration literal has no unit here", offset + place,
                offset + max(len(text), place + 1), "a literal looks like 'T#1h30m' or 'T#500ms'",
            )  # fmt: skip
        unit = part.group(2).lower()
        where = (offset + part.start(), offset + part.end())
        if fraction:
            raise TextError("only the last unit of a literal may have a fraction", *where)
        if order.index(unit) <= rank:
            raise TextError("the units of a literal go from d over h, m and s down to ms", *where)
        rank = order.index(unit)
        fraction = "." in part.group(1)
        total += Fraction(part.group(1)) * LITERAL_UNITS[unit]
        place = part.end()
        first = False
    return sign * total


def parse_duration_range(text: str) -> tuple[int, int]:
    """Shortest and longest of a range: ``3..5 s``, ``300 ms..2 s``, or one time for both.

    Raises:
        TextError: as for one time, and if the range runs backwards.
    """
    low_text, dots, high_text = text.partition("..")
    if not dots:
        only = parse_duration(text)
        return only, only
    high_offset = len(low_text) + len(dots)
    high = _shifted(high_text, high_offset)
    bare = re.fullmatch(r"\s*\d+(\.\d+)?\s*", low_text, re.ASCII)
    unit = re.search(r"[A-Za-z]+\s*$", high_text)
    if bare and unit and not LITERAL.match(high_text.strip()):
        low = parse_duration(f"{low_text} {unit.group().strip()}")
    else:
        low = _shifted(low_text, 0)
    if low > high:
        raise TextError(
            f"the range runs backwards: '{shorten(text.strip())}' is at least {format_duration(low)} and at "
            f"most {format_duration(high)}",
            0,
            len(text),
            f"say '{format_duration(high)}..{format_duration(low)}'",
        )
    return low, high


def format_duration(milliseconds: Milliseconds) -> str:
    """The one exact spelling of a length of time, read back as it was: ``80 ms``, ``1.25 s``, ``2 min``."""
    for unit, size in (("h", 3_600_000), ("min", 60_000)):
        if milliseconds and milliseconds % size == 0:
            return f"{milliseconds // size} {unit}"
    if milliseconds < 1000:
        return f"{milliseconds} ms"
    seconds, rest = divmod(milliseconds, 1000)
    return f"{seconds}{f'.{rest:03}'.rstrip('0') if rest else ''} s"


def format_elapsed(milliseconds: Milliseconds) -> str:
    """How long something has lasted, as people say it: ``1.2 s``, ``2 min 5 s``, ``1 h 3 min``.

    Exact below a minute; from then on rounded down to seconds, and from an hour on to minutes.
    """
    if milliseconds < 60_000:
        return format_duration(milliseconds)
    minutes, seconds = divmod(milliseconds // 1000, 60)
    if minutes < 60:
        return f"{minutes} min" + (f" {seconds} s" if seconds else "")
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h" + (f" {minutes} min" if minutes else "")


def format_moment(milliseconds: Milliseconds) -> str:
    """A moment of a log, as a clock shows it: ``14.320 s``, ``3:07.020``, from an hour on ``1:02:07.000``."""
    minutes, rest = divmod(milliseconds, 60_000)
    seconds = f"{rest // 1000}.{rest % 1000:03}"
    if not minutes:
        return f"{seconds} s"
    hours, minutes = divmod(minutes, 60)
    padded = seconds.rjust(6, "0")
    return f"{hours}:{minutes:02}:{padded}" if hours else f"{minutes}:{padded}"


def format_moments(times: Sequence[Milliseconds]) -> list[str]:
    """The moments of a table in seconds, all with as many decimals as the finest needs."""
    decimals = next(
        (count for count, step in ((1, 100), (2, 10)) if all(time % step == 0 for time in times)), 3
    )
    return [f"{time / 1000:.{decimals}f} s" for time in times]


def shorten(text: str, longest: int = 40) -> str:
    """A text cut to a length that fits a message, on one line and visible."""
    flat = one_line(text)
    return flat if len(flat) <= longest else flat[: longest - 3] + "..."


def _whole(milliseconds: Fraction, start: int, end: int) -> int:
    if milliseconds < 0:
        raise TextError("a time cannot be negative", start, end)
    if milliseconds > LONGEST:
        raise TextError("the time is longer than 24.8 days", start, end, "the longest time is 2147483647 ms")
    if milliseconds.denominator != 1:
        raise TextError(
            "the time is finer than a millisecond", start, end, f"say '{max(1, round(milliseconds))} ms'"
        )
    return int(milliseconds)


def _shifted(text: str, offset: int) -> int:
    try:
        return parse_duration(text)
    except TextError as error:
        raise TextError(error.message, error.start + offset, error.end + offset, error.hint) from None
