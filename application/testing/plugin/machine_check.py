"""The check behind the items of a machine file: run once a file and test run, with the run's options."""

from __future__ import annotations

import os
import shlex
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from stillgate.controller.errors import TextError
from stillgate.controller.expressions.durations import Milliseconds, format_duration, parse_duration
from stillgate.interlocks.results.verdict import CheckResult

from ...console.words import CAUTION, count_words, fault_words

if TYPE_CHECKING:
    from stillgate.controller.reading.reader import MachineDocument

WIDTH = 100
"""Characters of a line of the summary at most."""


@dataclass(frozen=True, slots=True)
class RunOptions:
    """What the command line asks of every check."""

    tick: Milliseconds | None  # None: the file's; 0: the controller's scan
    faults: int | None
    time_limit: float | None  # seconds
    overlaps: bool
    use_cache: bool


def read_options(config: pytest.Config) -> RunOptions:
    """The options of a test run.

    Raises:
        pytest.UsageError: if a time cannot be read.
    """
    tick = config.getoption("machine_tick")
    period = 0 if tick == "scan" else _time("--machine-tick", tick)
    if period == 0 and tick != "scan":
        raise pytest.UsageError(
            f"--machine-tick: '{tick}' is no time at all; write one like '100 ms', or 'scan'"
        )
    limit = _time("--machine-time-limit", config.getoption("machine_time_limit"))
    return RunOptions(
        tick=period,
        faults=config.getoption("machine_faults"),
        time_limit=None if limit is None else limit / 1000,
        overlaps=config.getoption("machine_overlaps"),
        use_cache=not config.getoption("machine_no_cache"),
    )


def _time(option: str, text: str | None) -> Milliseconds | None:
    if text is None:
        return None
    try:
        return parse_duration(text)
    except TextError as error:
        hint = f"; {error.hint}" if error.hint else ""
        raise pytest.UsageError(f"{option}: {error.message}{hint}") from None


def kept_check(source: bytes, path: Path, config: pytest.Config) -> CheckResult | None:
    """What the same check of a file with these bytes said before; None if it is not kept.

    Raises:
        ToolMissing: if there is no C compiler.
    """
    from stillgate.interlocks.checking.result_cache import kept_result

    options = read_options(config)
    if not options.use_cache:
        return None
    return kept_result(source, path, tick=options.tick, faults=options.faults, overlaps=options.overlaps)


def run_check(document: MachineDocument, path: Path, config: pytest.Config) -> CheckResult:
    """Checks a machine; with several workers one of them does, and the others wait and read.

    Raises:
        KeyboardInterrupt: if the search was interrupted.
        StillgateError: if the check cannot be run.
    """
    from stillgate.interlocks.checking.checker import check

    from .shared_result import computed_once

    options = read_options(config)

    def run() -> CheckResult:
        result = check(
            document,
            tick=options.tick,
            faults=options.faults,
            threads=_threads(),
            time_limit=options.time_limit,
            overlaps=options.overlaps,
            use_cache=options.use_cache,
        )
        if any(item.stopped_by == "interrupt" for item in result.exploration):
            raise KeyboardInterrupt
        return result

    worker = getattr(config, "workerinput", None)
    if worker is None:
        return run()
    return computed_once(f"{worker['testrunuid']} {path} {document.digest}", run)


def check_command(config: pytest.Config, file: str) -> str:
    """The command that makes the same check by itself.

    Args:
        config: of the test run.
        file: the machine file as a command names it.
    """
    words = ["stillgate", "check", file]
    for option in ("tick", "faults", "time_limit"):
        value = config.getoption(f"machine_{option}")
        if value is not None:
            words += [f"--{option.replace('_', '-')}", str(value)]
    if config.getoption("machine_overlaps"):
        words.append("--overlaps")
    return shlex.join(words)


def _threads() -> int | None:
    """Threads of one worker, so that all workers together use the processors once."""
    workers = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    return None if workers == 1 else max(1, (os.cpu_count() or 1) // workers)


def check_line(result: CheckResult, file: str) -> str:
    """How a machine file was checked, in a line, and what a tick that is not the scan means."""
    tick = "at the scan of" if result.tick == result.scan else "with a tick of"
    budget = f"up to {fault_words(result.faults)}" if result.faults else "without faults"
    if result.from_cache:
        origin = "kept from an earlier check of the same file"
    else:
        origin = f"checked in {sum(item.all_seconds for item in result.exploration):.2f} s"
    reach = "" if all(item.whole for item in result.exploration) else "; search NOT exhausted"
    line = (
        f"{file}: {count_words(len(result.requirements), 'requirement')} {tick}"
        f" {format_duration(result.tick)}, {budget},"
        f" under {count_words(len(result.assumptions), 'assumption')}; {origin}{reach}"
    )
    lines = [line.replace("\N{NO-BREAK SPACE}", " ")]
    if result.tick_caution:
        lines += textwrap.wrap(result.tick_caution, WIDTH, initial_indent="  ", subsequent_indent="  ")
    return "\n".join(lines)


def summary_lines(lines: Sequence[str]) -> list[str]:
    """What is printed at the end of a test run."""
    files = sorted(set(lines))
    caution = CAUTION.replace("the assumptions above", "the assumptions that 'stillgate check FILE' prints")
    return [*files, *textwrap.wrap(caution, WIDTH)]
