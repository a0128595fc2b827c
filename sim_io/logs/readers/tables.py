"""What every table of columns must have, whether CSV or Parquet: the columns of the map, the times."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from stillgate.controller.errors import UsageError

from ..log import Signal
from ..writers.trace_table import EVENT_COLUMN, TIME_COLUMN
from .columns import ColumnMap
from .signals import few, not_there
from .values import SignalReader

TIME_NAMES = ("time_ms", "time_s", "time_us", "time_ns", "time", "timestamp")
"""Names of a column, in any case, that need not be said."""


def require_columns(where: str, layout: ColumnMap, header: Sequence[str]) -> None:
    """Refuses a table in which columns of the map are missing or stand twice.

    Raises:
        UsageError: listing them, with the nearest names that are there.
    """
    if (layout.name is None) != (layout.value is None):
        raise UsageError(f"{where}: the column map needs both 'name' and 'value', or neither")
    wanted = [layout.name, layout.value, layout.time.column]
    if layout.name is None:
        wanted += list(layout.columns)
    missing = [name for name in wanted if name is not None and name not in header]
    if missing:
        raise UsageError(f"{where}: there is no column {not_there(missing, header)}; it has {few(header)}")
    twice = sorted({name for name in header if name and list(header).count(name) > 1})
    if twice:
        raise UsageError(f"{where}: {few(twice)} stands twice among the columns; rename one")


def time_column(where: str, layout: ColumnMap, header: Sequence[str]) -> int:
    """Place of the column with the times.

    Raises:
        UsageError: if the map does not say it and the names leave it open.
    """
    if layout.time.column is not None:
        return header.index(layout.time.column)
    if header[0].lstrip(".") == TIME_COLUMN and header[-1].lstrip(".") == EVENT_COLUMN:
        return 0  # a trace of ours; a signal of it may be called 'time'
    folded = [name.casefold() for name in header]
    found = [folded.index(name) for name in TIME_NAMES if name in folded]
    if len(found) == 1:
        return found[0]
    raise UsageError(
        f"{where}: which column holds the times? say it in the column map: 'time: {{column: ...}}'; "
        f"it has {few(header)}"
    )


def require_one_each(where: str, readers: Iterable[SignalReader]) -> None:
    """Refuses a table in which two columns are the same signal: they could say different things.

    Raises:
        UsageError: naming both columns.
    """
    columns: dict[Signal, str] = {}
    for reader in readers:
        before = columns.setdefault((reader.subject, reader.name), reader.column)
        if before != reader.column:
            raise UsageError(
                f"{where}: the columns '{before}' and '{reader.column}' are both '{reader.name}'; take one "
                "out of the column map, or rename it in the file"
            )
