"""How a file is named in what pytest prints: as seen from where it was called, so that commands work."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from stillgate.controller.errors import MachineFileError


def shown(path: Path | str, config: pytest.Config) -> str:
    """A file as messages name it."""
    try:
        return os.path.relpath(path, config.invocation_params.dir)
    except ValueError:  # another drive on Windows
        return str(path)


def told(error: MachineFileError, config: pytest.Config) -> str:
    """What is wrong with a file, which is named as ``shown`` says."""
    return str(type(error)(shown(error.name, config), error.problems, error.lines))
