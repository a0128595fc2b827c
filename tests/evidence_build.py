"""A block in which checkers are built for a short compile, those of evidence too: see ``tests/engine.py``."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from engine import build_quickly


@contextmanager
def built_quickly() -> Iterator[None]:
    """Every checker is built without optimisation; the sources are the same."""
    with pytest.MonkeyPatch.context() as patch:
        build_quickly(patch)
        yield
