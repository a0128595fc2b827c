"""The command line: finds the command, turns every outcome into an exit status.

Commands stand in ``stillgate.commands``, one module each, and are loaded when called. No
traceback reaches a user: a fault of the program is one sentence, how to report it, and, if
``STILLGATE_REPORT`` names a file, the details in that file.
"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from io import StringIO, TextIOBase
from typing import TYPE_CHECKING, NoReturn

from .console import interrupts as signals
from .console.terminal import forgive_encoding, write_line
from .console.version import installed_version
from .help_page import HELP_PAGE

if TYPE_CHECKING:
    from cyclopts import App

BAD_USE = 2
PROGRAM_FAULT = 3
INTERRUPTED = 130
BROKEN_PIPE = 141

COMMANDS = (
    "new",
    "check",
    "watch",
    "run",
    "faults",
    "soak",
    "explain",
    "log",
    "replay",
    "diagnose",
    "draw",
    "controller",
    "fault-table",
    "layers",
    "strength",
    "compare",
    "confirm",
    "certificate",
    "recheck",
    "report",
    "schema",
    "doctor",
    "completion",
)
"""Every command, in the order of the work; ``stillgate.commands.X`` holds ``X``, '-' as '_'."""

NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)
"""What the system says of a stream that takes nothing more."""

REPORT_VARIABLE = "STILLGATE_REPORT"
"""Environment variable with the file that details of a program fault are written to."""


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Entry point of ``stillgate``; ends the process with the exit status."""
    _replace_closed_streams()
    status = INTERRUPTED
    try:
        signals.install()  # a signal may come before it is done
        status = run_command(sys.argv[1:] if arguments is None else arguments)
        sys.stdout.flush()
    except KeyboardInterrupt:
        _silence_output()
    except BrokenPipeError:  # of standard error too, where what went wrong could not be told
        _silence_output()
        status = BROKEN_PIPE
    except OSError as error:  # what was held back until now, or what should have told of it
        status = _refused_output(error)
    sys.exit(signals.status_of(status))


def run_command(arguments: Sequence[str]) -> int:
    """Runs one command line and returns its exit status.

    Args:
        arguments: what stands after ``stillgate``.
    """
    forgive_encoding()
    try:
        if not arguments or list(arguments) in (["--help"], ["-h"], ["help"]):
            write_line(HELP_PAGE)
            return 0
        if list(arguments) in (["--version"], ["-V"]):
            write_line(f"stillgate {installed_version()}")
            return 0
        return _dispatch(list(arguments))
    except KeyboardInterrupt:
        return _interrupted()
    except BrokenPipeError:
        _silence_output()
        return BROKEN_PIPE
    except Exception as error:
        return _interrupted() if signals.heard() else _say(error)


def _interrupted() -> int:
    write_line("stillgate: interrupted", sys.stderr)
    return INTERRUPTED


def build_app() -> App:
    """The commands as one application; their modules are not loaded yet."""
    from cyclopts import App

    app = App(
        name="stillgate",
        help="The sequence logic of a machine in one readable file.",
        help_format="plaintext",
        version=installed_version,
        suppress_keyboard_interrupt=False,
        result_action="return_value",
    )
    for name in COMMANDS:
        module = name.replace("-", "_")
        app.command(f"stillgate.commands.{module}:{module}", name=name)
    return app


def _dispatch(arguments: list[str]) -> int:
    first = arguments[0]
    if first not in COMMANDS:
        return _refuse(first)
    app = build_app()
    if "--help" in arguments or "-h" in arguments:
        _unwrap_help(first)
    status = app(arguments, print_error=False, exit_on_error=False)
    return status if isinstance(status, int) else 0


def _unwrap_help(command: str) -> None:
    """So that the help of a command wraps at the width of the terminal, and not where its source does."""
    from importlib import import_module

    from .console.help_text import unwrapped

    name = command.replace("-", "_")
    function = getattr(import_module(f"stillgate.commands.{name}"), name)
    function.__doc__ = unwrapped(function.__doc__)


def _refuse(word: str) -> int:
    """The first word is no command: says which one is nearest."""
    from difflib import get_close_matches

    nearest = get_close_matches(word, COMMANDS, n=1, cutoff=0.5)
    hint = f"did you mean '{nearest[0]}'?" if nearest else f"there are {', '.join(COMMANDS)}"
    write_line(
        f"stillgate: '{word[:60]}' is not a command; {hint}\nHow it is used: stillgate --help", sys.stderr
    )
    return BAD_USE


def _say(error: Exception) -> int:
    """Prints what went wrong in the words of whoever noticed it."""
    from cyclopts import CycloptsError

    if isinstance(error, CycloptsError):
        command = " ".join(error.command_chain or ())
        page = f"stillgate {command} --help" if command else "stillgate --help"
        write_line(f"stillgate: {str(error).strip()}\nHow it is used: {page}", sys.stderr)
        return BAD_USE
    from stillgate.controller.errors import MachineFileError, ProgramFault, StillgateError

    if isinstance(error, MachineFileError):
        write_line(str(error), sys.stderr)
        count = len(error.problems)
        write_line(f"\n{count} {'problem' if count == 1 else 'problems'}; nothing was done.", sys.stderr)
        return error.exit_status
    if isinstance(error, StillgateError) and not isinstance(error, ProgramFault):
        write_line(f"stillgate: {error}", sys.stderr)
        return error.exit_status
    if isinstance(error, OSError) and error.filename is not None:
        write_line(f"stillgate: {error.filename}: {error.strerror}", sys.stderr)
        return BAD_USE
    if isinstance(error, _OutputClosedError) or (isinstance(error, OSError) and error.errno in NO_ROOM):
        return _refused_output(error)
    return _report(error)


def _report(error: Exception) -> int:
    """A fault of the program: one sentence, how to report it, details only to a file."""
    from stillgate.controller.errors import CompilerError

    kind = type(error).__name__
    said = str(error)[:4000] if isinstance(error, CompilerError) else " ".join(str(error).split())[:300]
    write_line(f"stillgate: a fault of the program, not of your file: {kind}: {said}", sys.stderr)
    target = os.environ.get(REPORT_VARIABLE)
    if not target:
        write_line(
            f"To report it, run the command again with {REPORT_VARIABLE}=report.txt and attach that file"
            " and, if you may, the machine file.",
            sys.stderr,
        )
        return PROGRAM_FAULT
    import traceback
    from pathlib import Path

    details = "".join(traceback.format_exception(error))
    try:
        Path(target).write_text(
            f"stillgate {installed_version()}, Python {sys.version}\n{details}", encoding="utf-8"
        )
    except OSError as failure:
        write_line(f"The details could not be written to {target}: {failure.strerror}", sys.stderr)
    else:
        write_line(f"The details are in {target}; please attach it to a report.", sys.stderr)
    return PROGRAM_FAULT


class _OutputClosedError(OSError):
    """Standard output was closed by who called (``>&-``)."""


class _ClosedOutput(TextIOBase):
    """Standard output that takes nothing, so that no verdict is lost unnoticed."""

    def write(self, text: str, /) -> int:
        raise _OutputClosedError(errno.EBADF, "standard output is closed")


def _replace_closed_streams() -> None:
    """Of streams that who called has closed: output is refused, messages go nowhere.

    Their numbers are given to nothing else: a file opened later would get one, and with it what the
    compiler prints.
    """
    with suppress(OSError):
        while (lowest := os.open(os.devnull, os.O_RDWR)) <= 2:
            os.set_inheritable(lowest, True)
        os.close(lowest)
    sys.stdout = sys.stdout or _ClosedOutput()
    sys.stderr = sys.stderr or StringIO()


def _refused_output(error: OSError) -> int:
    """What was printed found no room, on a full disk for example."""
    with suppress(OSError):
        write_line(f"stillgate: the output cannot be written: {error.strerror}", sys.stderr)
    try:
        sys.stdout.flush()
    except OSError:
        _silence_output()
    return BAD_USE


def _silence_output() -> None:
    """Nobody takes what is written to standard output any more; keeps Python from complaining at its end."""
    with suppress(OSError):  # there is none where it was closed
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
