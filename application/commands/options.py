"""What several commands share: how times, sizes and output forms are given."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from ..console.interrupts import stop_flag
from ..console.terminal import write_line

if TYPE_CHECKING:
    from stillgate.controller.effort import Effort
    from stillgate.controller.machine_file.machine import Machine
    from stillgate.controller.reading.reader import MachineDocument

Format = Annotated[Literal["text", "json"], Parameter(name="--format")]
"""Form of the output: text for a person, JSON for a program."""

OUTPUT = Parameter(name=["--output", "-o"], negative="")
"""The option that names what is written, in every command; where several forms may be, by its ending."""

MachineFile = Annotated[Path, Parameter(help="The machine file (YAML).")]
"""Path of a machine file."""

SIZES = {"": 1, "K": 2**10, "M": 2**20, "G": 2**30, "T": 2**40}
SIZE = re.compile(r"(\d+(?:\.\d+)?)\s*([KMGT]?)(?:i?B)?", re.IGNORECASE | re.ASCII)


def load_machine(path: Path) -> Machine:
    """The machine in a file; what the reader warns of goes to standard error.

    Raises:
        MachineFileError: if the file cannot be used.
    """
    return load_document(path).machine


def load_document(path: Path, effort: Effort | None = None) -> MachineDocument:
    """The machine file, read; what the reader warns of goes to standard error.

    Raises:
        MachineFileError: if the file cannot be used.
        CapReached: if the effort is over before the file is read.
    """
    from stillgate.controller.reading.reader import read_machine

    document = read_machine(path, effort)
    for warning in document.warnings:
        write_line(document.render(warning), sys.stderr)
    return document


def duration_option(option: str, text: str | None) -> int | None:
    """Milliseconds of a time given on the command line.

    Raises:
        UsageError: naming the option, if the text is no time.
    """
    from stillgate.controller.errors import TextError, UsageError
    from stillgate.controller.expressions.durations import parse_duration

    if text is None:
        return None
    try:
        return parse_duration(text)
    except TextError as error:
        hint = f"; {error.hint}" if error.hint else ""
        raise UsageError(f"{option}: {error.message}{hint}") from None


def tick_option(text: str | None, scan: int) -> int | None:
    """Milliseconds of ``--tick``; ``scan`` for the controller's own; None where nothing is said.

    Raises:
        UsageError: if the text is no time, or no time at all.
    """
    from stillgate.controller.errors import UsageError

    if text == "scan":
        return scan
    period = duration_option("--tick", text)
    if period == 0:
        raise UsageError(f"--tick: '{text}' is no time at all; write one like '100 ms', or 'scan'")
    return period


def files_by_ending(paths: Iterable[Path] | None, kinds: Mapping[str, str]) -> dict[str, Path]:
    """Files of ``--output`` by what each is to hold.

    Args:
        kinds: what a name's ending asks for; of endings that fit, the first counts.

    Raises:
        UsageError: for a name of another ending, or two files that are to hold the same.
    """
    from stillgate.controller.errors import UsageError

    found: dict[str, Path] = {}
    for path in paths or ():
        kind = next((kinds[ending] for ending in kinds if path.name.lower().endswith(ending)), None)
        if kind is None:
            raise UsageError(
                f"--output: '{path}' ends in none of {', '.join(kinds)}, which say what to write"
            )
        if kind in found:
            raise UsageError(f"--output: '{found[kind]}' and '{path}' would hold the same, {kind}; give one")
        found[kind] = path
    return found


def size_option(option: str, text: str | None) -> int | None:
    """Bytes of a size given as ``500 MB`` or ``2 GiB`` (both count in steps of 1024).

    Raises:
        UsageError: naming the option, if the text is no size, or one of nothing.
    """
    from stillgate.controller.errors import UsageError

    if text is None:
        return None
    match = SIZE.fullmatch(text.strip())
    if match is None:
        raise UsageError(f"{option}: '{text}' is not a size; write one like 2GiB or 500MB")
    size = int(float(match.group(1)) * SIZES[match.group(2).upper()])
    if size == 0:
        raise UsageError(f"{option}: '{text}' is no memory at all; write a size like 2GiB or 500MB")
    return size


def count_option(option: str, value: int | None, low: int, high: int) -> int | None:
    """A whole number within bounds.

    Raises:
        UsageError: naming the option and the bounds.
    """
    from stillgate.controller.errors import UsageError

    if value is not None and not low <= value <= high:
        raise UsageError(f"{option} is {value}; it goes from {low} to {high}")
    return value


def effort_option(
    *,
    time_limit: str | None,
    threads: int | None = None,
    max_states: int | None = None,
    max_memory: str | None = None,
) -> Effort:
    """What ``--threads``, ``--max-states``, ``--max-memory`` and ``--time-limit`` allow, from now on.

    A signal sets its stop flag.

    Raises:
        UsageError: naming the option that cannot be used.
    """
    from stillgate.controller.effort import DEFAULT_BYTES, Effort

    limit = duration_option("--time-limit", time_limit)
    return Effort(
        threads=count_option("--threads", threads, 1, 256),
        states=count_option("--max-states", max_states, 1, 2**62),
        bytes=size_option("--max-memory", max_memory) or DEFAULT_BYTES,
        stop=stop_flag(),
    ).within(None if limit is None else limit / 1000)
