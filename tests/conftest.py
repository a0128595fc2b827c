"""What every test shares: a cache folder of its own, and the self-check of every Program that is made."""

from __future__ import annotations

import gc
import os
import shutil
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import wraps
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from quick_compiler import write_unoptimised
from replaced_names import complaint
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.program_check import assert_consistent
from stillgate.interlocks.loop.closed_loop import ClosedLoop
from stillgate.interlocks.loop.loop_check import assert_loop_consistent

gc.set_threshold(20_000, 20, 20)  # garbage is looked for seldom: that takes a tenth of the time in Python


@pytest.fixture(scope="session", autouse=True)
def private_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Random machines must not fill the cache of whoever runs the tests. All workers have one together:
    to build the demo as users do takes seconds."""
    base = tmp_path_factory.getbasetemp()
    cache = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "cache"
    cache.mkdir(mode=0o700, exist_ok=True)
    objects = tmp_path_factory.mktemp("objects")  # the wheel's clang keeps each that it makes
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("STILLGATE_CACHE", str(cache))
        patch.setenv("ZIG_LOCAL_CACHE_DIR", str(objects))
        # What it builds of its own at its first call is kept where it always is, whatever HOME a test sets.
        usual = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "zig"
        patch.setenv("ZIG_GLOBAL_CACHE_DIR", os.environ.get("ZIG_GLOBAL_CACHE_DIR", str(usual)))
        yield
    shutil.rmtree(objects, ignore_errors=True)


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """Garbage is looked for in what tests make, not again and again in all that was loaded."""
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def ctrl_c_is_heard() -> None:
    """A shell starts what runs in the background deaf to Ctrl-C, and so would be all that tests start."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session")
def unoptimised(tmp_path_factory: pytest.TempPathFactory) -> str | None:
    """A value for ``CC`` with which commands spend no time on optimising; None where there is no shell."""
    return None if sys.platform == "win32" else str(write_unoptimised(tmp_path_factory.mktemp("cc")))


@pytest.fixture(scope="module")
def unoptimised_commands(unoptimised: str | None) -> Iterator[None]:
    """Commands that a module's tests run, in processes of their own too, spend no time on optimising."""
    with pytest.MonkeyPatch.context() as patch:
        if unoptimised is not None:
            patch.setenv("CC", unoptimised)
        yield


@pytest.fixture(scope="session", autouse=True)
def consistent_programs() -> Iterator[None]:
    """Every Program that is lowered or rewritten while tests run keeps its invariants."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ControllerProgram, "__init__", _checked(ControllerProgram, assert_consistent))
        patch.setattr(ClosedLoop, "__init__", _checked(ClosedLoop, assert_loop_consistent))
        yield


@pytest.fixture(scope="session", autouse=True)
def replaced_names_are_asked() -> Iterator[None]:
    """A test that replaces what nobody asks for would test something else than it says."""
    replace = pytest.MonkeyPatch.setattr

    @wraps(replace)
    def look_and_replace(patch: pytest.MonkeyPatch, target: Any, name: Any, *more: Any, **named: Any) -> None:
        module, asked, value = target, name, more[0] if more else named.get("value")
        if isinstance(target, str) and not more:
            value = name
            path, _, asked = target.rpartition(".")
            with suppress(ImportError):  # a class's name is left to pytest
                module = import_module(path)
        if isinstance(module, ModuleType) and getattr(module, asked, None) is not value:
            refused = complaint(module, asked)
            assert refused is None, refused
        replace(patch, target, name, *more, **named)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pytest.MonkeyPatch, "setattr", look_and_replace)
        yield


def _checked(kind: Any, look: Callable[[Any], None]) -> Callable[..., None]:
    """The making of a value, followed by a look at it."""
    make = kind.__init__

    @wraps(make)
    def make_and_look(self: Any, *given: Any, **named: Any) -> None:
        make(self, *given, **named)
        look(self)

    return make_and_look
