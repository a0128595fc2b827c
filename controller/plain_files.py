"""Files that a person names: a device and a pipe have no end, and would be waited for."""

from __future__ import annotations

from pathlib import Path


def is_endless(path: Path) -> bool:
    """Whether there is something that is neither a file nor a folder; of what cannot be looked at, no."""
    try:
        return path.exists() and not path.is_file() and not path.is_dir()
    except (OSError, ValueError):
        return False
