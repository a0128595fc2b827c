"""Runs commands as processes of their own, interrupts them, and says what they leave behind."""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import time
import uuid
from dataclasses import dataclass, field
from pathlib import Path

MARK = "STILLGATE_TEST_MARK"
"""Environment variable that a command hands on to whatever it starts."""

LOADED = 5.0
"""Seconds that a loaded computer may add to what is promised."""

STATUS = {signal.SIGINT: 130, signal.SIGTERM: 143}


@dataclass(frozen=True)
class Ended:
    """How a command ended, and what it left."""

    status: int
    seconds: float  # from the signal, or from the start where none was sent
    busy: float  # seconds of processor of the command and of the compilers it started, all threads together
    out: str
    said: str
    signalled: bool
    left: tuple[str, ...]  # processes and temporary files

    def document(self) -> dict[str, object] | None:
        """Its JSON; None if it printed nothing."""
        return dict(json.loads(self.out)) if self.out else None


@dataclass(frozen=True)
class Bench:
    """Where commands run: a folder, with temporary files and a cache of their own in it."""

    folder: Path
    cache: Path
    mark: str = field(default_factory=lambda: uuid.uuid4().hex)

    def run(self, *arguments: object, number: signal.Signals | None = None, after: float = 0.0) -> Ended:
        """Runs a command; with ``number`` the signal is sent so many seconds after it takes signals."""
        temporary = self.folder / "tmp"
        temporary.mkdir(exist_ok=True)
        self.cache.mkdir(mode=0o700, exist_ok=True)
        places = {"TMPDIR": str(temporary), "STILLGATE_CACHE": str(self.cache), MARK: self.mark}
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        with subprocess.Popen(
            [sys.executable, "-P", "-m", "stillgate", *map(str, arguments)],
            cwd=self.folder,
            env=os.environ | places,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            began, signalled = time.monotonic(), False
            if number is not None:
                wait_until_it_takes(process, number)
                time.sleep(after)
                began, signalled = time.monotonic(), process.poll() is None
                process.send_signal(number)
            out, said = process.communicate(timeout=600)
            seconds = time.monotonic() - began
        after_it = resource.getrusage(resource.RUSAGE_CHILDREN)
        busy = after_it.ru_utime + after_it.ru_stime - before.ru_utime - before.ru_stime
        return Ended(process.returncode, seconds, busy, out, said, signalled, tuple(self._left(temporary)))

    def _left(self, temporary: Path) -> list[str]:
        for _ in range(20):  # what was killed may take a moment to be gone
            processes = marked(self.mark)
            if not processes:
                break
            time.sleep(0.1)
        cached = [item for item in self.cache.rglob("*") if item.is_dir() and item.parent != self.cache]
        hidden = list(self.folder.glob(".*"))
        return [*processes, *(str(item) for item in (*temporary.iterdir(), *cached, *hidden))]


def wait_until_it_takes(process: subprocess.Popen[str], number: signal.Signals) -> None:
    """Before that a signal finds the Python interpreter being loaded, and no line of ours."""
    while process.poll() is None:
        status = Path(f"/proc/{process.pid}/status").read_text(encoding="utf-8")
        caught = next((line.split()[1] for line in status.splitlines() if line.startswith("SigCgt")), "0")
        taken = int(caught, 16) >> (signal.SIGTERM - 1) & 1
        if taken and int(caught, 16) >> (number - 1) & 1:
            return
        time.sleep(0.005)


def marked(mark: str) -> list[str]:
    """Command lines of the processes that have the mark in their environment."""
    found: list[str] = []
    for place in Path("/proc").glob("[0-9]*"):
        try:
            if f"{MARK}={mark}".encode() in (place / "environ").read_bytes():
                found.append((place / "cmdline").read_bytes().replace(b"\0", b" ").decode())
        except OSError:
            continue
    return found
