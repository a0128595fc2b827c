"""The evidence report with everything in it: how long it takes, how large it is, how soon it is usable."""

from __future__ import annotations

import os
import re
import subprocess
import tempfile
from pathlib import Path

from stillgate.controller.errors import ToolMissing
from stillgate.diagrams.pages.pdf import QUIET, find_browser

from .commands import run_command
from .figures import Figure, at_most


def measure(machine_file: Path) -> tuple[list[Figure], list[str]]:
    """A cold report of a machine, all parts but the second opinion, and the page in a browser."""
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        cache = work / "cache"
        cache.mkdir(mode=0o700)
        page = work / "report.html"
        run = run_command(["report", str(machine_file), "-o", str(page)], cache)
        figures = [
            at_most("evidence report, nothing cached", run.seconds, 180, "s"),
            Figure("    of it processor time", f"{run.processor:.3g} s"),
            at_most("its size", page.stat().st_size / 2**20, 5, "MB"),
        ]
        try:
            ready = min(usable_after(page, work / f"profile{number}") for number in range(3))
        except ToolMissing:
            return figures, ["no Chromium or Chrome: not measured how soon the page is usable"]
    return [*figures, at_most("page usable in a browser", ready / 1000, 2, "s")], [
        "fault table, layers and strength included; usable: charts answer, the best of 3"
    ]


def usable_after(page: Path, profile: Path) -> int:
    """Milliseconds from the start of loading until every chart answers.

    Raises:
        ToolMissing: if there is no browser.
        RuntimeError: if the page never becomes usable.
    """
    sandbox = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    command = [
        str(find_browser()),
        *QUIET,
        *sandbox,
        f"--user-data-dir={profile}",
        "--dump-dom",
        page.as_uri(),
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    found = re.search(r'data-ready-after="(\d+)"', done.stdout)
    if found is None:
        raise RuntimeError(f"the page is not usable: {done.stderr[-400:]}")
    return int(found[1])
