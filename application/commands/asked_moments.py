"""A moment of a log on the command line: since the log's start, or as the log's own clock showed it.

::

    14.2 s                 since the log's start
    1:02:14.200, 3:07.020  the same, as reports print it
    02:00:30               the log's clock: a time of day
    2026-03-31 02:00:30    the log's clock: date and time

Reports print no 0 before the hour, so ``02:00:30`` is a time of day. ``12:00:30`` may be either; it is
taken for what lies within the log, and refused where both do. A time of day is in the zone of the column
map, else at the offset from UTC that the log's start has.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from stillgate.controller.errors import UsageError
from stillgate.controller.expressions.durations import format_moment, shorten
from stillgate.sim_io.logs.log import CLOCK_SET, Log

from .options import duration_option

CLOCK = re.compile(r"(?:(\d{1,6}):)?(\d{1,2}):(\d{1,2}(?:\.\d{1,3})?)", re.ASCII)
DATED = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}.*", re.ASCII)
MILLISECOND = timedelta(milliseconds=1)


class LogMoments:
    """Reads moments of one log.

    Args:
        log: gone through once, and only where a clock's time is asked for.
    """

    def __init__(self, log: Log) -> None:
        self._log = log
        self._extent: tuple[int, int, int | None] | None = None

    def read(self, option: str, text: str | None) -> int | None:
        """Milliseconds since the log's start; None where nothing is asked for.

        Raises:
            UsageError: naming the option, for what is no moment, none of this log, or two of it.
        """
        if text is None:
            return None
        wanted = text.strip()
        if DATED.fullmatch(wanted):
            return self._only(option, text, list(dict.fromkeys(self._dated(option, wanted))), dated=True)
        clock = CLOCK.fullmatch(wanted)
        if clock is None:
            return duration_option(option, text)
        hours, minutes, seconds = (float(item or 0) for item in clock.groups())
        since = round(((hours * 60 + minutes) * 60 + seconds) * 1000)
        if clock[1] is None or hours >= 24 or minutes >= 60 or seconds >= 60 or len(clock[1]) != 2:
            return since
        if not self._log.header.started:
            return since
        found = [] if clock[1].startswith("0") else [since]
        found += self._times_of_day(option, wanted)
        begin, end, _ = self._extents()
        inside = [time for time in dict.fromkeys(found) if begin <= time <= end]
        return self._only(option, text, inside)

    def _only(self, option: str, text: str, inside: list[int], *, dated: bool = False) -> int:
        if len(inside) == 1:
            return inside[0]
        shown = shorten(text)
        if not inside:
            clock = f"begins at {self._log.header.started}"
            clock += " and its clock is set on the way" if self._extents()[2] is not None else ""
            raise UsageError(
                f"{option}: '{shown}' is no moment of this log, which {clock}; "
                "a time since its start is written like '14.2 s'"
            )
        places = " and ".join(f"{format_moment(time)} since the log's start" for time in inside[:3])
        remedy = "say which in seconds" if dated else "say it with its date, or in seconds since the start"
        raise UsageError(f"{option}: '{shown}' is {places}; {remedy}, such as '{inside[0] / 1000:g} s'")

    def _dated(self, option: str, text: str) -> Iterator[int]:
        """What date and time come to, within the log."""
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            raise UsageError(
                f"{option}: '{shorten(text)}' is no date and time; write it like '2026-03-31 02:00:30'"
            ) from None
        if not self._log.header.started:
            raise UsageError(f"{option}: this log does not say when it began; say a time since its start")
        begin, end, _ = self._extents()
        yield from (time for time in self._placed(moment) if begin <= time <= end)

    def _times_of_day(self, option: str, text: str) -> Iterator[int]:
        """That time of every day that the log touches."""
        begin, end, _ = self._extents()
        zero = self._zero()
        day: date = (zero + begin * MILLISECOND).date() - timedelta(days=1)
        last = (zero + end * MILLISECOND).date() + timedelta(days=1)
        if (last - day).days > 400:  # a log of so many days has no one moment of that time
            raise UsageError(f"{option}: the log goes over many days; say '{text}' with its date")
        while day <= last:
            yield from self._placed(datetime.fromisoformat(f"{day.isoformat()} {text}"))
            day += timedelta(days=1)

    def _placed(self, moment: datetime) -> Iterator[int]:
        """Milliseconds since the log's start; twice for an hour that comes twice, and none beyond where
        the clock was set, since nobody knows how much time had passed there."""
        zero = self._zero()
        moments = [moment]
        if moment.tzinfo is None and zero.tzinfo is not None:
            zone = ZoneInfo(self._log.header.zone) if self._log.header.zone else zero.tzinfo
            moments = [moment.replace(tzinfo=zone, fold=fold) for fold in (0, 1)]
        elif moment.tzinfo is not None and zero.tzinfo is None:
            moments = [moment.replace(tzinfo=None)]
        set_at = self._extents()[2]
        for one in moments:
            if one.tzinfo is not None:
                time = (one.astimezone(zero.tzinfo) - zero) // MILLISECOND
            else:
                time = (one - zero) // MILLISECOND
            if set_at is None or time < set_at:
                yield time

    def _zero(self) -> datetime:
        return datetime.fromisoformat(self._log.header.started)

    def _extents(self) -> tuple[int, int, int | None]:
        """First and last time of the log, and when its clock was first set on the way."""
        if self._extent is None:
            begin, end, set_at = None, 0, None
            for change in self._log.changes():
                if change.name == CLOCK_SET and begin is not None and set_at is None and change.time > begin:
                    set_at = change.time
                begin = change.time if begin is None else begin
                end = change.time
            self._extent = (begin or 0, end, set_at)
        return self._extent
