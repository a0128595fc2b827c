"""Picks the reader of a log by what is in the file, never by its name alone."""

from __future__ import annotations

import re
from pathlib import Path

from stillgate.controller.errors import UsageError
from stillgate.controller.machine import Machine

from ..log import Log
from .can_frames import can_format
from .columns import ColumnMap, read_column_map
from .lines import LOOKED_AT, Progress, size_of_log, start_of
from .own import is_own_log, open_own_log

PARQUET = b"PAR1"
DUMP = re.compile(rb"\s*\$(comment|date|version|timescale|scope)\b")


def open_log(
    path: Path,
    machine: Machine | None = None,
    *,
    columns: ColumnMap | Path | None = None,
    dbc: Path | None = None,
    progress: Progress | None = None,
) -> Log:
    """Opens a log of any format.

    Args:
        path: the log file.
        machine: whose log it is; our own log and traces in Parquet can be looked at without.
        columns: the column map of a foreign log, or its file.
        dbc: database that describes the frames of a CAN log.
        progress: told how much of how much has been read.

    Raises:
        UsageError: in one sentence, if the file cannot be used, or in more than one way.
        MachineFileError: for a column map with faults.
        ToolMissing: if a library for the format is not installed.
    """
    layout = read_column_map(columns) if isinstance(columns, Path) else columns or ColumnMap()
    if machine is not None:
        layout.require_signals(machine, str(columns) if isinstance(columns, Path) else str(path))
    size = size_of_log(path)
    start = start_of(path, LOOKED_AT)
    if is_own_log(start):
        return open_own_log(path, machine, progress)
    if start.startswith(PARQUET):
        from .parquet_log import open_parquet_log

        return open_parquet_log(path, machine, layout, progress)
    if machine is None:
        raise UsageError(f"{path}: a log of this format can only be read with the machine file")
    if can_format(start) is not None:
        from .can_log import open_can_log

        return open_can_log(path, size, machine, layout, dbc=dbc, progress=progress)
    if DUMP.match(start):
        raise UsageError(f"{path}: a value change dump is not read; give the log that it was made from")
    if b"\0" in start and layout.encoding == "utf-8":
        raise UsageError(f"{path}: this is no log that can be read: it begins with {start[:16]!r}")
    from .csv_log import open_csv_log

    return open_csv_log(path, size, machine, layout, progress)
