"""Writes files whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def write_whole(target: Path, content: bytes) -> None:
    """Writes a file so that a reader sees the old one or the new one, never a part.

    Raises:
        OSError: if the folder cannot be written.
    """
    handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        part.chmod(0o644)
        part.replace(target)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def write_new(target: Path, content: bytes) -> None:
    """Writes a file that is not there yet.

    Raises:
        FileExistsError: if it is there.
    """
    with target.open("xb") as stream:
        stream.write(content)
