"""Traces: a log or a simulated run as CSV, Parquet or VCD, to be looked at with other programs.

::

    CSV      a row a change, a column a signal           any spreadsheet, any program
    Parquet  the same, typed and compressed              data frames; needs the extra 'trace'
    VCD      IEEE 1364-2005, clause 18                   waveform viewers; needs the extra 'trace'

Nothing of a log is lost in any of them, but for this: CSV has no place for what the header
says (digest, version, date), and VCD none for the text of an event. A trace in CSV or Parquet is
read again as a log of exact times, so a log of samples, or of times that are not exact, is written
as VCD only.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from stillgate.controller.errors import UsageError

from ..log import Log, RowMeaning


def write_trace(log: Log, path: Path) -> None:
    """Writes a log as a trace; the form is told by the suffix. The file is whole or not there.

    Raises:
        UsageError: for another suffix, or a log whose times would be claimed to be exact.
        ToolMissing: if the library for the form is not installed.
        OSError: if the file cannot be written, a full disk included; it names the file.
    """
    writer = trace_writer(path)
    require_traceable(log, path)
    with _replacing(path) as part:
        writer(log, part)


def trace_writer(path: Path) -> Callable[[Log, Path], None]:
    """The function that writes the form a path asks for.

    Raises:
        UsageError: for a suffix of no form.
        ToolMissing: if the library for the form is not installed.
    """
    match path.suffix.lower():
        case ".csv":
            from .csv import write_csv

            return write_csv
        case ".parquet":
            from .parquet import write_parquet

            return write_parquet
        case ".vcd":
            from .vcd import write_vcd

            return write_vcd
    raise UsageError(f"{path}: the name of a trace ends in .csv, .parquet or .vcd, for the form it has")


def require_traceable(log: Log, path: Path) -> None:
    """Refuses to write what the log does not say: that a value lasted, or when just it changed.

    Raises:
        UsageError: for a log of samples or of inexact times in a form that says both.
    """
    if log.header.timing.meaning is RowMeaning.SCANS or path.suffix.lower() == ".vcd":
        return
    said = "only samples" if log.header.timing.meaning is RowMeaning.SAMPLES else "times that are not exact"
    raise UsageError(
        f"{path}: this log holds {said}, and a trace would be read again as one of exact times; write it as "
        ".vcd to look at it"
    )


@contextlib.contextmanager
def _replacing(path: Path) -> Iterator[Path]:
    """A file beside the target that takes its place at the end, and is removed on failure."""
    folder = Path(tempfile.mkdtemp(dir=path.parent, prefix=f".{path.name}."))
    part = folder / path.name
    try:
        yield part
        part.replace(path)
    except OSError as error:
        if error.errno is None or error.filename not in (None, str(part)):  # of the log that is read
            raise
        raise OSError(error.errno, os.strerror(error.errno), str(path)) from None
    finally:
        part.unlink(missing_ok=True)
        folder.rmdir()
