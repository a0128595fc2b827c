"""A trace as CSV (RFC 4180): ``time_ms``, then a column a signal, events last.

Levels are 0 and 1, states their names, ``-`` a sequence without power, ``?`` what is unknown.
"""

from __future__ import annotations

import csv
from pathlib import Path

from ..log import NO_STATE, Log, Subject, Value
from ..log_records import NOTHING, UNKNOWN
from .trace_table import column_names, table_rows


def write_csv(log: Log, path: Path) -> None:
    """Writes a log as CSV.

    Raises:
        OSError: if the file cannot be written.
    """
    signals = tuple(signal for signal in log.header.signals if signal[0] is not Subject.EVENT)
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        time, names, event = column_names(signals)
        writer.writerow([time, *names, event])
        for row in table_rows(signals, log.changes()):
            writer.writerow([row.time, *map(_cell, row.values), row.event])


def _cell(value: Value) -> Value:
    if value is None:
        return UNKNOWN
    return NOTHING if value == NO_STATE else value
