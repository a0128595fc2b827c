"""What a person waits for: whole commands in processes of their own, with a cache of their own."""

from __future__ import annotations

import os
import re
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from .figures import Figure, at_most


@dataclass(frozen=True, slots=True)
class Run:
    """A command that ended."""

    seconds: float
    processor: float  # seconds of all processors, compilers that it calls included
    peak_bytes: int  # of the command or of a compiler it calls, whichever took more
    status: int


def run_command(arguments: list[str], cache: Path) -> Run:
    """Runs ``stillgate`` with a cache folder of its own.

    Raises:
        RuntimeError: if it ends in any way but a verdict.
    """
    environment = os.environ | {"STILLGATE_CACHE": str(cache)}
    command = [sys.executable, "-m", "stillgate", *arguments]
    began = time.perf_counter()
    with subprocess.Popen(
        command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    ) as process:
        assert process.stderr is not None
        said = process.stderr.read()
        _, code, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(code)
    seconds = time.perf_counter() - began
    if process.returncode not in (0, 1, 4):
        raise RuntimeError(f"{' '.join(command)} ended with {process.returncode}: {said.decode()[-400:]}")
    scale = 1 if sys.platform == "darwin" else 1024
    processor = usage.ru_utime + usage.ru_stime
    return Run(seconds, processor, usage.ru_maxrss * scale, process.returncode)


def measure_check(machine_file: Path) -> tuple[list[Figure], list[str]]:
    """The whole check, cold and warm, and from a changed file to its verdict without faults."""
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        cache = work / "cache"
        cache.mkdir(mode=0o700)
        copy = work / machine_file.name
        copy.write_bytes(machine_file.read_bytes())
        cold = run_command(["check", str(copy)], cache)
        run_command(["check", str(copy), "--faults", "0"], cache)
        warm = [run_command(["check", str(copy), "--faults", "0"], cache) for _ in range(3)]
        changed: list[Run] = []
        for change in range(3):
            copy.write_text(changed_text(machine_file.read_text(encoding="utf-8"), change), encoding="utf-8")
            changed.append(run_command(["check", str(copy), "--faults", "0"], cache))
    figures = [
        *_waited("check with zero and all single faults, nothing cached", [cold], 20),
        at_most("its peak memory", cold.peak_bytes / 2**30, 2, "GiB"),
        *_waited("check without faults, warm cache", warm, 3),
        *_waited("changed file to its verdicts without faults", changed, 5),
    ]
    words = {0: "all hold", 1: "something is broken", 4: "undecided"}
    return figures, [
        f"{machine_file.name} as its file says; verdict of the whole check: {words[cold.status]}",
        "a changed file: one time in it made longer, so that its library is built anew",
    ]


def _waited(what: str, runs: list[Run], target: float) -> list[Figure]:
    """Median seconds by the wall, which others on this computer lengthen, and of the processors."""
    processor = statistics.median(run.processor for run in runs)
    return [
        at_most(what, statistics.median(run.seconds for run in runs), target, "s"),
        Figure("    of it processor time", f"{processor:.3g} s"),
    ]


def changed_text(text: str, number: int) -> str:
    """The file with one ``after`` of its sequences a little longer, another one each time."""
    found = list(re.finditer(r"after: (\d+(?:\.\d+)?) (ms|s)\b", text))
    if not found:
        raise ValueError("the machine has no time to change")
    place = found[number % len(found)]
    longer = float(place[1]) + (0.1 if place[2] == "s" else 100)
    return f"{text[: place.start()]}after: {longer:g} {place[2]}{text[place.end() :]}"


def measure_help() -> tuple[list[Figure], list[str]]:
    """The first thing that anybody types."""
    with tempfile.TemporaryDirectory() as folder:
        seconds = [run_command(["--help"], Path(folder)).seconds for _ in range(7)]
    milliseconds = statistics.median(seconds) * 1000
    return [at_most("stillgate --help", milliseconds, 300, "ms")], ["median of 7 runs"]
