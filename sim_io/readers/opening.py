"""Picks the reader of a log by what is in the file, never by its name alone."""

from __future__ import annotations

from pathlib import Path

from stillgate.controller.errors import UsageError
from stillgate.controller.machine import Machine

from ..log import Log
from .lines import Progress, size_of_log, start_of
from .own import is_own_log, open_own_log

LOOKED_AT = 4096
"""Bytes from the start of a file that decide."""


def open_log(path: Path, machine: Machine | None = None, *, progress: Progress | None = None) -> Log:
    """Opens a log of any format.

    Args:
        path: the log file.
        machine: whose log it is; our own log and a trace can be looked at without.
        progress: told how many bytes of how many have been read.

    Raises:
        UsageError: in one sentence, if the file cannot be used.
    """
    size_of_log(path)
    start = start_of(path, LOOKED_AT)
    if is_own_log(start):
        return open_own_log(path, machine, progress)
    raise UsageError(f"{path}: this is no log that can be read: it begins with {start[:16]!r}")
