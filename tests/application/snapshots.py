"""Golden texts: what a person reads, kept in files that a reviewer can read.

Set ``STILLGATE_SNAPSHOTS=write`` to write them anew, then read the difference before
committing it.
"""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from pathlib import Path

from rich.console import Console

FOLDER = Path(__file__).parent / "snapshots"


def printed(write: Callable[[Console], None], *, width: int = 80) -> str:
    """What a function prints on a console of a fixed width, without colour."""
    stream = io.StringIO()
    write(Console(file=stream, width=width, highlight=False, markup=False, emoji=False, color_system=None))
    return "".join(line.rstrip() + "\n" for line in stream.getvalue().splitlines())


def assert_snapshot(name: str, text: str) -> None:
    """The text is the one kept under the name."""
    path = FOLDER / name
    if os.environ.get("STILLGATE_SNAPSHOTS") == "write":
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    assert text == path.read_text(encoding="utf-8")
