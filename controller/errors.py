"""Everything that Stillgate raises on purpose.

::

    StillgateError
    ├── MachineFileError   a machine file cannot be used; lists every independent problem
    │   └── ScenarioFileError   the same of a scenario file
    ├── TextError          an expression, time or name cannot be read; knows where in the text
    ├── UsageError         a command or call asks for something that does not exist or fit
    ├── ToolMissing        an optional library or program is not installed
    ├── CapReached         a limit of states, memory or time ended the work early
    └── ProgramFault       Stillgate itself is at fault
        └── CompilerError       the C compiler refused the generated source

``exit_status`` is what the command line returns: 2 bad use or a bad file, 3 fault of the
program, 4 undecided.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from typing import ClassVar

from .visible_text import one_line


class StillgateError(Exception):
    """Root of the tree; never raised itself."""

    exit_status: ClassVar[int] = 3


class Severity(Enum):
    """Whether a problem stops the work."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a file.

    ``line`` and ``column`` count from 1, columns in characters; line 0 means the file as a whole.
    """

    line: int
    column: int
    message: str
    hint: str = ""
    severity: Severity = Severity.ERROR
    width: int = 1  # characters to underline, on this line


class MachineFileError(StillgateError):
    """A machine file cannot be used: raised by the reader once, with all independent problems.

    ``str()`` renders each as ``file:line:column: what is wrong``, the line, a caret and the
    nearest right thing.
    """

    exit_status = 2

    def __init__(self, name: str, problems: Iterable[Problem], lines: Iterable[str] = ()) -> None:
        self.name = name
        self.lines = tuple(lines)
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__(name, self.problems)

    def __str__(self) -> str:
        return "\n".join(render_problem(self.name, problem, self.lines) for problem in self.problems)


class ScenarioFileError(MachineFileError):
    """A scenario file cannot be used."""


class TextError(StillgateError, ValueError):
    """A short text (expression, time, name) cannot be read.

    ``start`` and ``end`` are character offsets within that text.
    """

    exit_status = 2

    def __init__(self, message: str, start: int, end: int, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.start = start
        self.end = end
        self.hint = hint


class UsageError(StillgateError):
    """A command or call asks for something that does not exist or does not fit together."""

    exit_status = 2


class ToolMissing(StillgateError):  # noqa: N818
    """An optional library or program is not installed; the message says how to get it."""

    exit_status = 2


class CapReached(StillgateError):  # noqa: N818
    """A limit of states, memory or time ended the work before an answer."""

    exit_status = 4


class ProgramFault(StillgateError):  # noqa: N818
    """Stillgate contradicts itself; please report it."""

    exit_status = 3


class CompilerError(ProgramFault):
    """The C compiler refused the generated source; the message ends with the compiler's words."""


LONGEST_SHOWN = 120
"""Characters of a source line that a message shows around the fault."""


def render_problem(name: str, problem: Problem, lines: tuple[str, ...] = ()) -> str:
    """``file:line:column: what is wrong``, the line with a caret, and the hint."""
    mark = "warning: " if problem.severity is Severity.WARNING else ""
    place = f":{problem.line}:{problem.column}" if problem.line else ""
    head = f"{name}{place}: {mark}{problem.message}"
    parts = [head]
    if 0 < problem.line <= len(lines):
        text, column = _window(lines[problem.line - 1], problem.column)
        width = max(1, min(problem.width, len(text) - column + 1))
        parts += [f"    {text}", f"    {' ' * (column - 1)}{'^' * width}"]
    if problem.hint:
        parts.append(f"    {problem.hint}")
    return "\n".join(parts)


def _window(line: str, column: int) -> tuple[str, int]:
    """The part of a line that is shown, free of control characters, and the column within it."""
    start = max(0, column - 1 - LONGEST_SHOWN // 2) if len(line) > LONGEST_SHOWN else 0
    shown = line[start : start + LONGEST_SHOWN].rstrip()
    return one_line(shown), len(one_line(shown[: column - 1 - start])) + 1
