"""The times of a foreign log: read, put on one time line, and their oddities told.

Numbers are counts of a unit; date-times carry their offset from UTC, or a zone is named for
them, or they are taken as a clock that is never set. In a zone, an hour that comes twice is
told apart by the order of the rows, and an hour that never was is reported. Everything is
brought to whole milliseconds by rounding down.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import ROUND_FLOOR, Decimal, InvalidOperation
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from stillgate.controller.errors import UsageError
from stillgate.controller.expressions.durations import shorten
from stillgate.controller.machine_file.field_types import Milliseconds

from ..log_trouble import TroubleBook, TroubleKind
from .columns import TimeColumn

PER_MILLISECOND = {"ns": Decimal(1_000_000), "us": Decimal(1000), "ms": Decimal(1), "s": Decimal("0.001")}
"""How many of a unit a millisecond has."""

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MILLISECOND = timedelta(milliseconds=1)
LAST: Milliseconds = 250_000_000_000_000
"""Eight thousand years: a number beyond it has another unit, or is no time."""

FAR: Milliseconds = 100_000_000_000
"""Three years: times that count from here on count from 1970 or the like, not from a start."""


class NotATime(ValueError):  # noqa: N818
    """A text that is no time in the form that is expected."""


class LogClock:
    """Reads the times of one pass over a log.

    Args:
        form: how times are written; its ``kind`` is settled.
        decimal: mark before the decimals of a number.
        late: by how much rows may come late without the clock having gone back.
        book: where jumps are noted.
        where: the file, for messages.

    Attributes:
        is_local: whether times are date-times without an offset and without a zone.

    Raises:
        UsageError: if the zone is not known.
    """

    def __init__(
        self, form: TimeColumn, decimal: str, late: Milliseconds, book: TroubleBook, where: str
    ) -> None:
        self._form, self._decimal, self._book = form, decimal, book
        self._zone = _zone(form.zone, where) if form.zone else None
        self._late = max(late, 1000)
        self._last: Milliseconds | None = None
        self._noted: set[object] = set()
        self.is_local = False
        self.read: Callable[[str, int], Milliseconds] = (
            self._date_time if form.kind == "date-time" else self._number
        )

    def _number(self, text: str, line: int) -> Milliseconds:
        """Milliseconds of a number, rounded down.

        Raises:
            NotATime: if it is none.
        """
        if self._form.kind == "ms" and text.isdecimal() and text.isascii() and len(text) < 15:
            return int(text)
        if self._decimal == ",":
            text = text.replace(",", ".")
        try:
            found = Decimal(text) / PER_MILLISECOND[self._form.kind or "ms"]
            if abs(found) > LAST:
                raise NotATime(text)
            return int(found.to_integral_value(ROUND_FLOOR))
        except (InvalidOperation, ValueError, OverflowError):
            raise NotATime(text) from None

    def _date_time(self, text: str, line: int) -> Milliseconds:
        """Milliseconds since 1970 in UTC; of a clock without zone, as if it were UTC.

        Raises:
            NotATime: if it is no date-time of the expected form.
        """
        moment = parse_date_time(text.strip(), self._form.format)
        if moment.tzinfo is not None:
            found = (moment - EPOCH) // MILLISECOND
        elif self._zone is None:
            self.is_local = True
            found = (moment.replace(tzinfo=UTC) - EPOCH) // MILLISECOND
        else:
            found = self._in_zone(moment, self._zone, text, line)
        self._last = found if self._last is None else max(self._last, found)
        return found

    def _in_zone(self, moment: datetime, zone: ZoneInfo, text: str, line: int) -> Milliseconds:
        first = (moment.replace(tzinfo=zone, fold=0) - EPOCH) // MILLISECOND
        second = (moment.replace(tzinfo=zone, fold=1) - EPOCH) // MILLISECOND
        if first == second:
            return first
        if first > second:  # skipped when the clock was put forward
            self._once(("never", moment.date()), line, f"{text}: this hour never was in {zone.key}")
            return first
        # The hour comes twice: a row is of its second pass if the first would put it well
        # before the rows that were already read.
        later = self._last is not None and first < self._last - self._late
        said = f"{text}: this hour comes twice in {zone.key}; told apart by the order of the rows"
        self._once(("twice", moment.date()), line, said)
        return second if later else first

    def _once(self, what: object, line: int, said: str) -> None:
        if what not in self._noted:
            self._noted.add(what)
            self._book.note(TroubleKind.CLOCK, line, said)


def parse_date_time(text: str, form: str | None) -> datetime:
    """A date and time in ISO 8601, or in a form of ``strptime``.

    Raises:
        NotATime: if it is none.
    """
    try:
        if form is not None:
            return datetime.strptime(text, form)
        found = datetime.fromisoformat(text)
    except ValueError:
        raise NotATime(text) from None
    if len(text) < len("2026-01-01T00:00"):  # a date alone is no time
        raise NotATime(text)
    return found


def settle_form(form: TimeColumn, column: str, sample: str, decimal: str | None, where: str) -> TimeColumn:
    """How times are written, from the map or where the first of them leaves one reading only.

    Args:
        form: what the map says.
        column: name of the column.
        sample: the first time in it.
        decimal: decimal mark, if the map names one.
        where: file and line of the sample.

    Raises:
        UsageError: naming the key of the map that decides.
    """
    shown = f"{where}: the time '{shorten(sample)}' in column '{column}'"
    if form.kind is None:
        known = {"time_ms": "ms", "time_s": "s", "time_us": "us", "time_ns": "ns"}.get(
            column.strip(" .").lower()
        )
        if known is not None:
            return form.model_copy(update={"kind": known})
        if _is_number(sample):
            raise UsageError(
                f"{shown} is a number; say its unit in the column map: 'time: {{as: s}}' or 'ms'"
            )
        if decimal is None and _is_number(sample.replace(",", ".")):
            raise UsageError(
                f"{shown} is a number with a comma; say in the column map its unit and its decimal mark: "
                "'time: {as: s}' or 'ms', and \"decimal: ','\""
            )
        form = form.model_copy(update={"kind": "date-time"})
    if form.kind == "date-time":
        try:
            parse_date_time(sample.strip(), form.format)
        except NotATime:
            form_said = f"of the form '{form.format}'" if form.format else "a date-time of ISO 8601"
            raise UsageError(
                f"{shown} is not {form_said}; say in the column map how it is written, for example "
                "'time: {as: date-time, format: \"%d.%m.%Y %H:%M:%S.%f\"}'"
            ) from None
    elif "," in sample and decimal is None:
        raise UsageError(
            f"{shown} has a comma; if it is the decimal mark, say \"decimal: ','\" in the column map"
        )
    elif not _is_number(sample.replace(",", ".") if decimal == "," else sample):
        raise UsageError(
            f"{shown} is no number; say in the column map how times are written, 'time: {{as: ...}}'"
        )
    return form


def zero_of(
    form: TimeColumn, first: Milliseconds, sample: str, *, local: bool
) -> tuple[Milliseconds, str, str]:
    """Where time 0 of the log is, its ISO date-time, and how the file writes it.

    Small numbers that are not negative are kept as the file has them, so that a time in a
    report is found in the file; dates, and numbers that count from a far past, begin at 0.
    """
    if form.kind != "date-time":
        return (0, "", "") if 0 <= first < FAR else (first, "", sample.strip())
    moment = EPOCH + first * MILLISECOND
    iso = moment.replace(tzinfo=None) if local else moment
    return first, iso.isoformat(timespec="milliseconds"), sample.strip()


def _is_number(text: str) -> bool:
    try:
        return Decimal(text.strip()).is_finite()
    except InvalidOperation:
        return False


def _zone(name: str, where: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise UsageError(
            f"{where}: the time zone '{shorten(name)}' is not known here; use an IANA name such as "
            "Europe/Berlin (on Windows: pip install tzdata)"
        ) from None
