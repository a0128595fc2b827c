"""``--at``, ``--from``, ``--to`` of a log: since its start, or as its own clock showed it.

Hours that come twice and never: by Python's zoneinfo (IANA time zone database), Europe/Berlin, 2026.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from recordings import door
from stillgate.commands.asked_moments import LogMoments
from stillgate.controller.errors import UsageError
from stillgate.sim_io.logs.log import CLOCK_SET, Change, Log, LogHeader, Subject, log_in_memory
from stillgate.sim_io.logs.readers import read_log
from stillgate.sim_io.logs.readers.columns import read_column_map

HOUR = 3_600_000


def log_of(started: str, hours: float, *, zone: str = "", set_after: float | None = None) -> Log:
    changes = [Change(0, Subject.INPUT, "a", 0)]
    if set_after is not None:
        changes.append(Change(round(set_after * HOUR), Subject.EVENT, CLOCK_SET, None))
    changes.append(Change(round(hours * HOUR), Subject.INPUT, "a", 1))
    return log_in_memory(LogHeader("m", started=started, zone=zone), changes)


NIGHT = "2026-03-10T01:58:00.000"


@pytest.mark.parametrize(
    ("started", "hours", "text", "moment"),
    [
        (NIGHT, 1, "02:00:30", 150_000),
        (NIGHT + "+00:00", 1, "02:00:30.250", 150_250),
        (NIGHT, 1, "2026-03-10 02:00:30", 150_000),
        (NIGHT, 1, "2026-03-10T02:00:30", 150_000),
        (NIGHT + "+00:00", 1, "2026-03-10T03:00:30+01:00", 150_000),
        (NIGHT, 3, "2:00:30", 2 * HOUR + 30_000),  # as reports print it
        (NIGHT, 3, "2:00", 120_000),
        (NIGHT, 3, "14.2 s", 14_200),
        ("2026-03-10T23:30:00", 1, "00:10:00", 40 * 60_000),  # on the next day
        ("2026-03-10T11:00:00", 2, "12:00:30", HOUR + 30_000),  # 12 h after the start is not in the log
        (NIGHT, 1, "01:58:00", 0),
        ("", 13, "12:00:30", 12 * HOUR + 30_000),  # a log without a date
        ("", 13, "02:00:30", 2 * HOUR + 30_000),
    ],
)
def test_a_time_is_understood_as_since_the_start_or_as_the_logs_clock(
    started: str, hours: float, text: str, moment: int
) -> None:
    assert LogMoments(log_of(started, hours)).read("--at", text) == moment


@pytest.mark.parametrize(
    ("log", "text", "said"),
    [
        (log_of(NIGHT, 1), "05:00:00", "is no moment of this log, which begins at 2026-03-10T01:58:00.000"),
        (
            log_of("2026-03-10T11:00:00", 30),
            "12:00:30",
            "12:00:30.000 since the log's start and 1:00:30.000 since",
        ),
        (log_of(NIGHT, 49), "02:00:30", "2:30.000 since the log's start and 24:02:30.000 since"),
        (log_of(NIGHT, 1), "2026-13-10 02:00:30", "is no date and time"),
        (log_of("", 1), "2026-03-10 02:00:30", "does not say when it began"),
        (log_of(NIGHT, 3, set_after=1), "04:30:00", "its clock is set on the way"),
        (log_of(NIGHT, 1), "soon", "--at: 'soon' is not a time"),
    ],
)
def test_a_time_that_is_none_or_two_of_the_log_is_refused(log: Log, text: str, said: str) -> None:
    with pytest.raises(UsageError) as refused:
        LogMoments(log).read("--at", text)
    assert said in str(refused.value)


def test_an_hour_that_comes_twice_is_asked_back_and_a_zone_is_kept() -> None:
    """On 25 October 2026 in Berlin 02:30 comes at 00:30 and at 01:30 UTC."""
    log = log_of("2026-10-25T00:00:00.000+00:00", 4, zone="Europe/Berlin")
    with pytest.raises(UsageError, match=r"30:00\.000 since the log's start and 1:30:00\.000"):
        LogMoments(log).read("--at", "02:30:00")
    assert LogMoments(log).read("--at", "04:00:00") == 3 * HOUR
    assert LogMoments(log).read("--at", "2026-10-25 04:00:00") == 3 * HOUR


def test_a_foreign_log_in_a_zone_is_asked_by_the_time_that_stands_in_it(tmp_path: Path) -> None:
    first = datetime(2026, 7, 1, 8, 0, 0)
    rows = [f"{first + timedelta(seconds=n)},{n % 2},0,0\n" for n in range(90)]
    (tmp_path / "x.csv").write_text("time,button,shut,low_pin\n" + "".join(rows))
    (tmp_path / "map.yaml").write_text("time: {zone: Europe/Berlin}\n")
    log = read_log(tmp_path / "x.csv", door(), columns=read_column_map(tmp_path / "map.yaml"))
    assert LogMoments(log).read("--at", "08:01:07") == 67_000
