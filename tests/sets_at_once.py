"""Sets of times from the start: for tests of what asks them where single situations are too many."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from quick_compiler import quick_compiler
from stillgate.interlocks.checking import search_plan
from stillgate.interlocks.exploration import search as explicit_search
from stillgate.interlocks.symbolic import search as symbolic_search

UNOPTIMISED = ("-std=gnu11", "-O0", "-w")


@contextmanager
def sets_at_once() -> Iterator[None]:
    """More than one situation are too many; unoptimised, since compiling takes most of the time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(search_plan, "FEW", 1)
        patch.setattr(search_plan, "MANY", 1)
        for module in (explicit_search, symbolic_search):
            patch.setattr(module, "OPTIONS", UNOPTIMISED)
            patch.setattr(module, "find_compiler", quick_compiler)
        patch.setattr(explicit_search, "QUICK_OPTIONS", UNOPTIMISED)
        yield
