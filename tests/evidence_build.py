"""Evidence computed with checkers built for a short compile, as ``tests/engine.py`` does for checks."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from engine import OPTIONS, build_quickly
from quick_compiler import quick_compiler
from stillgate.interlocks.exploration import fault_search
from stillgate.interlocks.exploration import parametric_checker as switchboard


@contextmanager
def built_quickly() -> Iterator[None]:
    """Every checker of evidence is built without optimisation; the sources are the same."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fault_search, "OPTIONS", OPTIONS)
        patch.setattr(switchboard, "_OPTIONS", OPTIONS)
        for module in (fault_search, switchboard):
            patch.setattr(module, "find_compiler", quick_compiler)
        build_quickly(patch)
        yield
