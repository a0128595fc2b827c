"""Waits until a file has been saved: whatever way an editor saves, and only once it is whole.

Editors write into the file, or beside it and rename; some truncate first. So the folder is
watched, not the file; a file is looked at when it has stood still for a moment; and what
counts is its content, so a save that changes nothing is none. Saves that the system does not
report (network drives) are noticed by looking once a second.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

from stillgate.controller.errors import ToolMissing

STILL_SECONDS = 0.15
"""How long a file must not change before it counts as whole."""

LONGEST_WAIT = 5.0
"""After so long of changing or being empty, a file is taken as it is."""

LOOK_MS = 1000

MOST_BYTES = 4 << 20
"""More than any file that is read as a machine."""


def saves(path: Path, before: bytes | None) -> Iterator[bytes | None]:
    """The content after each save; None where the file is gone. Ends with KeyboardInterrupt only.

    Args:
        path: the file.
        before: its content as last looked at.

    Raises:
        ToolMissing: if the library that watches folders is not installed.
    """
    try:
        from watchfiles import watch
    except ImportError:
        raise ToolMissing(
            "stillgate watch needs the library watchfiles:  pip install 'stillgate[watch]'"
        ) from None

    return _saves(path, before, watch)


def _saves(
    path: Path, before: bytes | None, watch: Callable[..., Iterator[object]]
) -> Iterator[bytes | None]:
    changes = watch(
        path.resolve().parent,
        watch_filter=None,
        debounce=100,
        step=20,
        rust_timeout=LOOK_MS,
        yield_on_timeout=True,
        recursive=False,
    )
    for _ in changes:
        if content_of(path) == before:
            continue
        content = whole_content(path)
        if content != before:
            before = content
            yield content


def content_of(path: Path) -> bytes | None:
    """The bytes of a file, of a large one its beginning; None if it is no file or cannot be read just now.

    A person may have named anything: a device and a pipe have no end.
    """
    try:
        if not path.is_file():
            return None
        with path.open("rb") as stream:
            return stream.read(MOST_BYTES)
    except OSError:
        return None


def whole_content(path: Path) -> bytes | None:
    """The content once it has stood still; a file that is empty or gone gets time to come back."""
    began = time.monotonic()
    content, since = content_of(path), began
    while True:
        now = time.monotonic()
        patience = STILL_SECONDS if content else 4 * STILL_SECONDS
        if now - since >= patience or now - began >= LONGEST_WAIT:
            return content
        time.sleep(0.03)
        found = content_of(path)
        if found != content:
            content, since = found, time.monotonic()
