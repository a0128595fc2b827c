"""What every test shares: a cache folder of its own, and the self-check of every Program that is made."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import wraps
from typing import Any

import pytest
from stillgate.controller.program.program import ControllerProgram
from stillgate.controller.program.program_check import assert_consistent
from stillgate.interlocks.loop.closed_loop import ClosedLoop
from stillgate.interlocks.loop.loop_check import assert_loop_consistent


@pytest.fixture(scope="session", autouse=True)
def private_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Random machines must not fill the cache of whoever runs the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("STILLGATE_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="session", autouse=True)
def consistent_programs() -> Iterator[None]:
    """Every Program that is lowered or rewritten while tests run keeps its invariants."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ControllerProgram, "__init__", _checked(ControllerProgram, assert_consistent))
        patch.setattr(ClosedLoop, "__init__", _checked(ClosedLoop, assert_loop_consistent))
        yield


def _checked(kind: Any, look: Callable[[Any], None]) -> Callable[..., None]:
    """The making of a value, followed by a look at it."""
    make = kind.__init__

    @wraps(make)
    def make_and_look(self: Any, *given: Any, **named: Any) -> None:
        make(self, *given, **named)
        look(self)

    return make_and_look
