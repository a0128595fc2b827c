"""What the pytest plugin costs: a run of many requirements from a warm cache, and one without any."""

from __future__ import annotations

import os
import re
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from stillgate.controller.reading.reader import read_machine_text

from .figures import Figure, at_most

TURNS = 3
REQUIREMENTS = 30
BARE = "import pytest, pathlib, re, time; b = time.perf_counter(); import stillgate.pytest_plugin; "


def measure(machine_file: Path) -> tuple[list[Figure], list[str]]:
    """Seconds beyond those of pytest itself; milliseconds of the import."""
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        (work / "cache").mkdir(mode=0o700)
        text = machine_file.read_text(encoding="utf-8")
        (work / f"{machine_file.stem}.machine.yaml").write_text(_with_thirty(text), encoding="utf-8")
        (work / "test_nothing.py").write_text("def test_nothing():\n    pass\n", encoding="utf-8")
        _pytest(work, "-m", "requirement")
        warm = statistics.median(_pytest(work, "-m", "requirement") for _ in range(TURNS))
        bare = statistics.median(_pytest(work, "-p", "no:stillgate", "test_nothing.py") for _ in range(TURNS))
        nothing = statistics.median(_pytest(work, "test_nothing.py") for _ in range(TURNS))
    loaded = statistics.median(_import_ms() for _ in range(2 * TURNS + 1))
    figures = [
        at_most(
            f"{REQUIREMENTS} requirements from a warm cache, beyond pytest itself", warm - bare, 1.5, "s"
        ),
        at_most("import of the plugin when no machine file is collected", loaded, 50, "ms"),
        Figure("a run without machine files, beyond pytest itself", f"{nothing - bare:.3g} s"),
        Figure("    pytest itself", f"{bare:.3g} s"),
    ]
    return figures, [f"{machine_file.name}; median of {TURNS} runs, seconds of the processors"]


def _with_thirty(text: str) -> str:
    """The machine with so many requirements that they are thirty: those that are missing say nothing new."""
    count = len(read_machine_text(text).machine.requirements)
    more = "".join(f"  more_{number}: {{never: false}}\n" for number in range(count, REQUIREMENTS))
    return re.sub(r"^requirements:\n", rf"requirements:\n{more}", text, count=1, flags=re.MULTILINE)


def _pytest(work: Path, *arguments: str) -> float:
    """Runs pytest; processor seconds of it.

    Raises:
        RuntimeError: if a test fails.
    """
    environment = os.environ | {"STILLGATE_CACHE": str(work / "cache")}
    command = [sys.executable, "-P", "-m", "pytest", "-q", "-p", "no:cacheprovider", *arguments]
    before = os.times()
    done = subprocess.run(command, cwd=work, env=environment, capture_output=True, text=True, check=False)
    after = os.times()
    if done.returncode:
        raise RuntimeError(f"{' '.join(command)} failed:\n{done.stdout[-2000:]}")
    return after.children_user + after.children_system - before.children_user - before.children_system


def _import_ms() -> float:
    program = BARE + "print((time.perf_counter() - b) * 1000)"
    done = subprocess.run([sys.executable, "-P", "-c", program], capture_output=True, text=True, check=True)
    return float(done.stdout)
