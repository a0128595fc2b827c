"""Logs on the command line: which options open one, and what is said about it beforehand."""

from __future__ import annotations

import sys
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from ..console.terminal import message_console, write_line

if TYPE_CHECKING:
    from stillgate.controller.reading.reader import MachineDocument
    from stillgate.sim_io.logs.log import Log
    from stillgate.sim_io.logs.log_trouble import Trouble

    from ..console.progress import ProgressLine

MOST_NAMES = 6
"""Names of a kind of trouble that a warning lists."""

LogFile = Annotated[Path, Parameter(help="The log: of the recorder, CSV, Parquet, candump text, ASC or BLF.")]
"""Path of a log."""

MapFile = Annotated[
    Path | None, Parameter(name="--map", help="Column map: how a foreign log is laid out (YAML).")
]
"""Path of a column map."""

ColumnPairs = Annotated[
    list[str] | None,
    Parameter(
        name="--column", negative="", help="A column and its signal, as COLUMN=SIGNAL; may be repeated."
    ),
]
"""Entries of the column map."""

Dbc = Annotated[Path | None, Parameter(help="Database (DBC) that describes the frames of a CAN log.")]
"""Path of a CAN database."""


def open_log_file(
    document: MachineDocument,
    path: Path,
    *,
    layout: Path | None = None,
    columns: list[str] | None = None,
    dbc: Path | None = None,
    progress: ProgressLine | None = None,
) -> Log:
    """Opens a log for a command; warns on standard error if it is of another machine file.

    Args:
        document: the machine file.
        path: the log.
        layout: the column map.
        columns: entries that go into it.
        dbc: the CAN database.
        progress: the line that says how far the reading is.

    Raises:
        UsageError, MachineFileError, ToolMissing: as ``read_log``.
    """
    from stillgate.sim_io.logs.readers import read_log
    from stillgate.sim_io.logs.readers.columns import ColumnMap, read_column_map

    given = (read_column_map(layout) if layout is not None else ColumnMap()).with_columns(columns or [])

    def tell(done: int, size: int) -> None:
        if progress is not None:
            progress.say(f"{path.name}: {100 * done // max(1, size)} % read")

    log = read_log(path, document.machine, columns=given, dbc=dbc, progress=tell)
    warning = other_machine_words(document, log)
    if warning:
        write_line(f"stillgate: warning: {path}: {warning}", sys.stderr)
    return log


def trouble_words(log: Log) -> str:
    """What was wrong with a log, kind by kind, once it has been read; '' where nothing was."""
    return "; ".join(_kind_words(item) for item in log.trouble())


def _kind_words(item: Trouble) -> str:
    """All cases of one kind: the first names, or how often and where first."""
    from stillgate.sim_io.logs.log_trouble import TroubleKind

    if item.kind is TroubleKind.UNKNOWN_NAME:
        names = [example.quote for example in item.examples]
        more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
        return f"{item.kind.value}: {', '.join(names[:MOST_NAMES])}{more}"
    line = item.examples[0].line
    where = f"in line {line}" if line else ""
    if item.count > 1:
        where = f"{item.count} times, first {where}" if where else f"{item.count} times"
    return f"{item.kind.value}{f' ({where})' if where else ''}"


def tell_trouble(log: Log, path: Path) -> None:
    """Warns on standard error of what could not be used, once a log has been read."""
    told = trouble_words(log)
    if told:
        write_line(f"stillgate: warning: {path}: {told}; 'stillgate log' shows where", sys.stderr)


def require_values(log: Log, path: Path) -> None:
    """Refuses a log that says nothing of any signal: whatever followed from it would follow from nothing.

    Raises:
        UsageError: with the reasons that the reading gave.
    """
    from stillgate.controller.errors import UsageError
    from stillgate.sim_io.logs.log import Subject

    outside = Subject.EVENT, Subject.POWER
    if any(item.value is not None and item.subject not in outside for item in log.changes()):
        return
    told = trouble_words(log)
    why = f" ({told})" if told else ""
    raise UsageError(
        f"{path}: it holds no value of any signal of this machine{why}; 'stillgate log' shows what is in it"
    )


def other_machine_words(document: MachineDocument, log: Log) -> str:
    """What to say where a log was recorded with another machine file; '' where it was not."""
    own, theirs = document.digest, log.header.digest
    if log.header.machine not in ("", document.machine.machine):
        return (
            f"this is a log of '{log.header.machine}', the machine file describes "
            f"'{document.machine.machine}'; what both have in common is used"
        )
    if theirs and theirs != own:
        return (
            f"it was recorded with another version of the machine file (SHA-256 {theirs[:12]}..., this one "
            f"is {own[:12]}...); the two controllers may differ"
        )
    return ""


def progress_line() -> AbstractContextManager[ProgressLine]:
    """The progress line on standard error; silent off a terminal."""
    from ..console.progress import ProgressLine

    return ProgressLine(message_console())
