"""Sets of times from the start: for tests of what asks them where single situations are too many."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from engine import build_quickly
from stillgate.interlocks.checking import search_plan


@contextmanager
def sets_at_once() -> Iterator[None]:
    """More than one situation are too many; unoptimised, since compiling takes most of the time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(search_plan, "FEW", 1)
        patch.setattr(search_plan, "MANY", 1)
        build_quickly(patch)
        yield
