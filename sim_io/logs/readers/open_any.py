"""Picks the reader of a log by what is in the file, never by its name alone."""

from __future__ import annotations

import re
from pathlib import Path

from stillgate.controller.errors import UsageError
from stillgate.controller.machine_file.machine import Machine

from ..log import Log
from .can_frames import can_format
from .columns import ColumnMap, read_column_map
from .lines import LOOKED_AT, Progress, end_of, size_of_log, start_of
from .recorder_log import is_own_log, open_own_log

PARQUET = b"PAR1"
PACKED = (
    (b"\x1f\x8b", "gzip", "gunzip"),
    (b"BZh", "bzip2", "bunzip2"),
    (b"\xfd7zXZ\0", "xz", "unxz"),
    (b"\x28\xb5\x2f\xfd", "zstd", "unzstd"),
)
"""How compressed files begin (RFC 1952, RFC 8878; the manuals of bzip2 and xz), and what unpacks them."""

MARKS = (
    (b"\xff\xfe\0\0", "UTF-32"),
    (b"\0\0\xfe\xff", "UTF-32"),
    (b"\xff\xfe", "UTF-16"),
    (b"\xfe\xff", "UTF-16"),
)
"""How texts begin whose characters have two bytes or four (RFC 2781; The Unicode Standard, 23.8)."""

NO_TEXT = re.compile(rb"[\x00-\x08\x0e-\x1f]")
"""Characters that stand in no header line."""

ZIP = b"PK\x03\x04"
DUMP = re.compile(rb"\s*\$(comment|date|version|timescale|scope)\b")


def read_log(
    path: str | Path,
    machine: Machine | None = None,
    *,
    columns: ColumnMap | Path | None = None,
    dbc: Path | None = None,
    progress: Progress | None = None,
) -> Log:
    """Opens a log; the reader is picked by what is in the file.

    Args:
        path: the log file; earlier parts of our own log beside it are read too.
        machine: whose log it is. Our own log can be looked at without.
        columns: the column map of a foreign log, or its file.
        dbc: database that describes the frames of a CAN log.
        progress: told from time to time how many bytes of how many have been read.

    Raises:
        UsageError: in one sentence, if the file cannot be used, or can be read in more than
            one way; then it names what decides.
        MachineFileError: for a column map with faults.
        ToolMissing: if a library for the format is not installed.
    """
    path = Path(path)
    layout = read_column_map(columns) if isinstance(columns, Path) else columns or ColumnMap()
    if machine is not None:
        layout.require_signals(machine, str(columns) if isinstance(columns, Path) else str(path))
    size = size_of_log(path)
    start = start_of(path, LOOKED_AT)
    _refuse_packed(path, start)
    if dbc is not None and can_format(start) is None:
        raise UsageError(f"{path}: --dbc describes the frames of a CAN log, and this is none; leave it out")
    if is_own_log(start) or is_own_log(end_of(path, size, LOOKED_AT)):  # its beginning may be damaged
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
    wide = _wide_text(start)
    if wide:
        raise UsageError(f"{path}: the text is in {wide}, which is not read; save it in UTF-8")
    if NO_TEXT.search(start.partition(b"\n")[0]):  # further on it is a spoilt line, told and skipped
        raise UsageError(
            f"{path}: this is no log that can be read: it is binary, and neither Parquet nor BLF; save it as "
            "CSV where it was recorded"
        )
    from .csv_log import open_csv_log

    return open_csv_log(path, size, machine, layout, progress)


def _wide_text(start: bytes) -> str:
    """UTF-16 or UTF-32 if a text is in it, with a mark at its beginning or without; else nothing."""
    for mark, name in MARKS:
        if start.startswith(mark):
            return name
    sample = start[:64]
    for width, name in ((4, "UTF-32"), (2, "UTF-16")):
        lanes = [sample[at : len(sample) // width * width : width] for at in range(width)]
        told = [lane for lane in lanes if any(lane)]
        # Headers are mostly ASCII: of each character one byte says something, always at the same place.
        if len(lanes[0]) > 3 and len(told) == 1 and 0 not in told[0]:
            return name
    return ""


def _refuse_packed(path: Path, start: bytes) -> None:
    for begins, name, tool in PACKED:
        if start.startswith(begins):
            raise UsageError(f"{path}: it is compressed ({name}); unpack it first, with {tool} for example")
    if start.startswith(ZIP):
        raise UsageError(
            f"{path}: it is a ZIP archive, and so is the workbook of a spreadsheet; unpack it, or save the "
            "table as CSV"
        )
