"""Prints a page to PDF by the Chromium or Chrome that is there; none is installed for it."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from stillgate.controller.errors import ProgramFault, ToolMissing
from stillgate.controller.expressions.durations import format_duration

LONGEST_PRINT = 120
"""Seconds after which printing is given up."""

SIZE = re.compile(r'<svg[^>]*?\swidth="(?P<width>[\d.]+)(?P<unit>pt|px)?" height="(?P<height>[\d.]+)')

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
ELSEWHERE = {
    "darwin": ("/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
               "/Applications/Chromium.app/Contents/MacOS/Chromium"),
    "win32": (r"C:\Program Files\Google\Chrome\Application\chrome.exe",
              r"C:\Program Files (x86)\Microsoft\Edge\Application\msedge.exe"),
}  # fmt: skip
QUIET = (
    "--headless",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-pdf-header-footer",
)
"""Options that keep a browser from doing anything but what it is told."""


def find_browser() -> Path:
    """The browser to print with.

    Raises:
        ToolMissing: if there is none.
    """
    for name in BROWSERS:
        if found := shutil.which(name):
            return Path(found)
    for place in ELSEWHERE.get(sys.platform, ()):
        if Path(place).exists():
            return Path(place)
    raise ToolMissing(
        "no Chromium or Chrome was found to print a PDF with: install one, or open the HTML file in any "
        "browser and print it from there"
    )


def print_drawing(svg: bytes) -> bytes:
    """An SVG drawing as PDF, on a page of its own size.

    Raises:
        ToolMissing: if no browser is found.
        ProgramFault: if the drawing has no size or the browser gives no whole PDF.
    """
    text = svg.decode()
    text = text[text.index("<svg") :]
    size = SIZE.search(text)
    if size is None:
        raise ProgramFault("the drawing does not say how large it is")
    width, height = (f"{float(size[name]) + 1:g}{size['unit'] or 'px'}" for name in ("width", "height"))
    head = f"<style>@page{{size:{width} {height};margin:0}}body{{margin:0}}svg{{display:block}}</style>"
    return print_page(f'<!doctype html><meta charset="utf-8">{head}{text}'.encode())


def print_page(html: bytes) -> bytes:
    """The page as PDF, on paper of the size that its style sheet asks for.

    Raises:
        ToolMissing: if no browser is found.
        ProgramFault: if the browser gives no whole PDF.
    """
    browser = find_browser()
    with tempfile.TemporaryDirectory(prefix="stillgate-print-") as folder:
        page, target = Path(folder) / "page.html", Path(folder) / "page.pdf"
        page.write_bytes(html)
        # A sandbox cannot be set up for root; the page is our own and forbids every request.
        sandbox = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
        command = [
            str(browser), *QUIET, *sandbox, f"--user-data-dir={folder}/profile",
            f"--print-to-pdf={target}", page.as_uri(),
        ]  # fmt: skip
        try:
            done = subprocess.run(command, capture_output=True, timeout=LONGEST_PRINT, check=False)
        except subprocess.TimeoutExpired:
            longest = format_duration(1000 * LONGEST_PRINT)
            raise ProgramFault(f"{browser.name} printed nothing within {longest}") from None
        content = target.read_bytes() if target.exists() else b""
    if not content.startswith(b"%PDF-") or b"%%EOF" not in content[-32:]:
        said = done.stderr.decode(errors="replace").strip().splitlines()
        raise ProgramFault(
            f"{browser.name} printed no PDF (exit status {done.returncode}){': ' + said[-1] if said else ''}"
        )
    return content
