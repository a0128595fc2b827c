"""How long ``stillgate watch`` takes to its first answer, and after a save to what changed."""

from __future__ import annotations

import os
import queue
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from .commands import changed_text, run_command
from .figures import Figure, at_most

PATIENCE = 120.0
ANSWER = "This is a check of a model"
"""Begins the caution, which stands between all that is told and the answer at its end."""

GLANCE = "without faults"
"""Stands in the line that says how a file stands without faults, before one fault is looked at."""

SAVED = ": saved"
"""Stands in the line that begins what changed after a save."""

WHOLE = "with one fault"
"""Stands in the line that begins what changed with one fault."""


def measure(machine_file: Path) -> tuple[list[Figure], list[str]]:
    """Seconds by the wall from start, and from a save, to the line that answers; faults as in the file."""
    # In the background of a script Ctrl-C is ignored, and a watch would inherit that and never end.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        cache = work / "cache"
        cache.mkdir(mode=0o700)
        copy = work / machine_file.name
        text = machine_file.read_text(encoding="utf-8")
        copy.write_text(text, encoding="utf-8")
        run_command(["check", str(copy)], cache)
        first: list[float] = []
        spent: list[float] = []
        saved: list[float] = []
        whole: list[float] = []
        fresh = work / "fresh"
        fresh.mkdir(mode=0o700)
        with _watching(copy, fresh) as lines:
            cold = _until(lines, GLANCE)
        for _ in range(3):
            before = _children()
            with _watching(copy, cache) as lines:
                first.append(_until(lines, ANSWER))
            spent.append(_children() - before)
        with _watching(copy, cache) as lines:
            _until(lines, ANSWER)
            for change in range(3):
                copy.write_text(changed_text(text, change), encoding="utf-8")
                saved.append(_until(lines, SAVED))
                whole.append(saved[-1] + _until(lines, WHOLE))
    figures = [
        at_most("watch: first answer, warm cache", statistics.median(first), 3, "s"),
        Figure("    of it processor time, with its end", f"{statistics.median(spent):.3g} s"),
        at_most("watch: first answer, nothing cached", cold, 3, "s"),
        at_most("watch: from a save to its first answer", statistics.median(saved), 3, "s"),
        Figure("watch: from that save to what changed with one fault", f"{statistics.median(whole):.3g} s"),
    ]
    notes = [
        f"{machine_file.name}, one fault included; seconds by the wall, medians of 3, one cold",
        "a first answer without a cache is how the file stands without faults",
    ]
    return figures, notes


@contextmanager
def _watching(file: Path, cache: Path) -> Iterator[queue.Queue[str]]:
    """The lines that a watch prints, as they come."""
    environment = os.environ | {"STILLGATE_CACHE": str(cache), "PYTHONUNBUFFERED": "1"}
    command = [sys.executable, "-P", "-m", "stillgate", "watch", str(file)]
    lines: queue.Queue[str] = queue.Queue()
    with subprocess.Popen(
        command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as process:
        output = process.stdout
        assert output is not None

        def read() -> None:
            for line in output:
                lines.put(line)

        reader = threading.Thread(target=read, daemon=True)
        reader.start()
        try:
            yield lines
        finally:
            process.send_signal(signal.SIGINT)
            reader.join(PATIENCE)


def _until(lines: queue.Queue[str], words: str) -> float:
    """Seconds until a line with these words comes.

    Raises:
        queue.Empty: if it does not.
    """
    began = time.perf_counter()
    while words not in lines.get(timeout=PATIENCE):
        pass
    return time.perf_counter() - began


def _children() -> float:
    spent = os.times()
    return spent.children_user + spent.children_system
