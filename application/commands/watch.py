"""``stillgate watch``: checks a file again whenever it is saved and prints only what changed."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from ..console.terminal import message_console, output_console, write_line
from .check import LIMITS
from .options import MachineFile, count_option, duration_option, tick_option

if TYPE_CHECKING:
    from collections.abc import Callable

    from stillgate.controller.reading.reader import MachineDocument
    from stillgate.interlocks.exploration.explorer import Progress
    from stillgate.interlocks.results.verdict import CheckResult

INTERRUPTED = 130


def watch(
    machine: MachineFile,
    /,
    *,
    tick: str | None = None,
    faults: int | None = None,
    time_limit: Annotated[str | None, Parameter(group=LIMITS)] = None,
) -> int:
    """Check a machine now and after every save, and print what changed.

    The first answer is that of check. After a save only the verdicts,
    findings and assumptions that are different are printed, with the story
    of what is newly broken. Where one fault takes longer, a line says before
    how the file stands without faults. A file that cannot be read is told, and
    the next save waited for. A save during a long check ends it and starts the
    next.

    Ctrl-C ends it. Exit status: 130, or 2 if the file is not there at first.

    Parameters
    ----------
    tick
        Step of the exploration, such as '100 ms', or 'scan' for the controller's own. Left out: the file's,
        else the scan.
    faults
        0 or 1: how many faults may happen. Left out: the file's.
    time_limit
        Give up a check as undecided after so long, such as '1 min'.
    """
    from stillgate.controller.reading.reader import bytes_of

    from ..files.wait_for_save import content_of, saves

    period = tick_option(tick, 0)
    budget = count_option("--faults", faults, 0, 1)
    limit = duration_option("--time-limit", time_limit)
    bytes_of(machine)  # says what is wrong with the file, if it is not there
    watcher = _Watcher(machine, period, budget, None if limit is None else limit / 1000)
    content = content_of(machine)
    changes = saves(machine, content)
    while True:
        watcher.look(content)
        looked = content
        while content == looked:  # what was noticed during a check is not noticed again
            content = watcher.newer if watcher.newer not in (None, looked) else next(changes)


class _Newer(Exception):  # noqa: N818
    """The file was saved while it was checked."""


class _Watcher:
    def __init__(self, path: Path, tick: int | None, faults: int | None, limit: float | None) -> None:
        self.path, self.tick, self.faults, self.limit = path, tick, faults, limit
        self.last: CheckResult | None = None
        self.newer: bytes | None = None
        self.glanced = False

    def look(self, content: bytes | None) -> None:
        """Reads, checks and prints; never ends the watch but by Ctrl-C."""
        from stillgate.controller.errors import MachineFileError, StillgateError

        self.newer, self.glanced = None, False
        if content is None:
            self._say("the file is gone; waiting for it to come back")
            return
        try:
            result = self._result(content)
        except MachineFileError as error:
            self._say("the file cannot be used; waiting for the next save")
            write_line(str(error))
        except _Newer:
            self._say("saved again while it was checked")
        except StillgateError as error:
            self._say(f"the check could not be run: {error}")
        else:
            self._print(result)

    def _result(self, content: bytes) -> CheckResult:
        """What was kept of these very bytes, for which they need not be read, or a check of them."""
        from stillgate.interlocks.checking.result_cache import kept_result

        result = kept_result(content, self.path, tick=self.tick, faults=self.faults)
        if result is None:
            from stillgate.controller.effort import Effort
            from stillgate.controller.reading.reader import read_machine_bytes
            from stillgate.interlocks.requirements.monitors import fault_budget

            document = read_machine_bytes(content, str(self.path), Effort().within(self.limit))
            if fault_budget(document.machine, self.faults):
                self._glance(self._check(document, 0, content))  # the engineer waits: what is known first
            result = self._check(document, self.faults, content)  # as asked, or it would be kept as another
        return result

    def _check(self, document: MachineDocument, faults: int | None, content: bytes) -> CheckResult:
        from stillgate.controller.effort import Effort
        from stillgate.interlocks.checking.checker import check_within

        from ..console.progress import ProgressLine

        with ProgressLine(message_console()) as line:
            result = check_within(
                document,
                Effort().within(self.limit),
                tick=self.tick,
                faults=faults,
                progress=self._progress(line, content),
                on_slow_build=lambda: line.say("the C compiler builds parts of its own, once"),
            )
        if any(item.stopped_by == "interrupt" for item in result.exploration):
            raise KeyboardInterrupt
        return result

    def _glance(self, result: CheckResult) -> None:
        """One line on how the file stands without faults."""
        from stillgate.interlocks.results.verdict import Word

        from ..reports.check.changes_text import standing

        broken = [item.name for item in result.requirements if item.verdict is Word.BROKEN]
        said = "; ".join(
            (
                f"without faults {standing(result)}",
                *([f"broken: {', '.join(broken)}"] if broken else []),
                "one fault is looked at now",
            )
        )
        self._say(said if self.last is None else f"saved; {said}")
        self.glanced = True

    def _progress(self, line: Callable[[Progress], None], content: bytes) -> Callable[[Progress], None]:
        from ..files.wait_for_save import content_of, whole_content

        def progress(now: Progress) -> None:
            line(now)
            if content_of(self.path) != content:
                found = whole_content(self.path)
                if found is not None and found != content:
                    self.newer = found
                    raise _Newer

        return progress

    def _print(self, result: CheckResult) -> None:
        from ..reports.check.changes_text import write_changes
        from ..reports.check.check_text import write_check

        console = output_console()
        if self.last is None:
            write_check(console, result, str(self.path))
        else:
            self._say("with one fault" if self.glanced else "saved")
            write_changes(console, self.last, result, str(self.path))
        self.last = result

    def _say(self, text: str) -> None:
        write_line(f"\n{time.strftime('%H:%M:%S')}  {self.path}: {text}")
        output_console().file.flush()
