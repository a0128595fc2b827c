"""The C engine on a closed loop, built for a short compile instead of a fast search.

Tests build many checkers and search each for a moment, so the compiler's optimiser would
take nearly all of their time. The sources are those of ``stillgate check``, byte for byte.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from quick_compiler import quick_compiler
from stillgate.controller.c.toolchain import build_library
from stillgate.controller.effort import Effort
from stillgate.controller.reading.reader import MachineDocument, read_machine_text
from stillgate.interlocks.exploration import fault_search, parametric_checker, search
from stillgate.interlocks.exploration.emit_checker import checker_source
from stillgate.interlocks.exploration.explorer import Explorer, Status
from stillgate.interlocks.exploration.search import Search, checker_files
from stillgate.interlocks.loop.closed_loop import ClosedLoop
from stillgate.interlocks.loop.counterexample import Replay
from stillgate.interlocks.loop.state_layout import Key, packed_fields, unpack
from stillgate.interlocks.mutation import mutant_checkers
from stillgate.interlocks.results.verdict import CheckResult
from stillgate.interlocks.symbolic import search as symbolic_search

OPTIONS = ("-std=gnu11", "-O0", "-w")


def build_quickly(patch: pytest.MonkeyPatch) -> None:
    """Every checker is built for a short compile, whoever asks: of situations, of sets, of evidence."""
    for module in (fault_search, parametric_checker, search, symbolic_search):
        patch.setattr(module, "find_compiler", quick_compiler)
    for module in (fault_search, search, symbolic_search):
        patch.setattr(module, "OPTIONS", OPTIONS)
    patch.setattr(parametric_checker, "_OPTIONS", OPTIONS)
    for module in (mutant_checkers, search):
        patch.setattr(module, "QUICK_OPTIONS", OPTIONS)


def quick_build(
    loop: ClosedLoop,
    on_slow_build: Callable[[], None] | None = None,
    effort: Effort | None = None,
    *,
    merge: bool | None = None,
) -> Path:
    """Shared library of a loop's checker, unoptimised."""
    files = checker_files(loop)
    if merge is not None:
        files["checker.c"] = checker_source(loop, merge=merge)
    return build_library(
        files,
        "checker.c",
        options=OPTIONS,
        compiler=quick_compiler(),
        on_slow_build=on_slow_build,
        effort=effort,
    )


@dataclass(frozen=True)
class Searched:
    """What the C engine found: the counterpart of ``python_search.Found``."""

    depths: dict[Key, int]
    transitions: int
    broken: dict[str, int]
    levels: int


@contextmanager
def searching(loop: ClosedLoop, *, threads: int = 1, merge: bool | None = None) -> Iterator[Search]:
    """A finished search, to be asked."""
    with Search(loop, quick_build(loop, merge=merge), Effort(threads=threads, bytes=1 << 30)) as search:
        exploration = search.run()
        assert exploration.exhausted, exploration.stopped_by
        yield search


def runs_to_breaks(search: Search) -> dict[str, Replay]:
    """The way to each break of a finished search without a time limit: there is one, as long as said."""
    runs: dict[str, Replay] = {}
    for name, item in search.breaks().items():
        assert item.run is not None, name
        assert item.ticks == len(item.run.ticks), name
        runs[name] = item.run
    return runs


def search_c(loop: ClosedLoop, *, threads: int = 1, merge: bool | None = None) -> Searched:
    """All reachable states and the first depth at which each requirement breaks."""
    fields = packed_fields(loop)
    with Explorer(quick_build(loop, merge=merge), Effort(threads=threads, bytes=1 << 30)) as explorer:
        outcome = explorer.run()
        explorer.assert_consistent()
        broken: dict[str, int] = {}
        for index, name in enumerate(loop.requirement_names):
            record = explorer.record(index)
            if record is not None:
                broken[name] = record.depth
        depths = {unpack(fields, key): depth for key, depth in explorer.states()}
        return Searched(depths, outcome.transitions, broken, outcome.levels)


def broken_c(loop: ClosedLoop) -> set[str]:
    """What breaks in all reachable states; the states themselves stay in C."""
    with Explorer(quick_build(loop), Effort(threads=1, bytes=1 << 30)) as explorer:
        outcome = explorer.run()
        assert outcome.status is Status.COMPLETE, outcome
        names = enumerate(loop.requirement_names)
        return {name for index, name in names if explorer.record(index) is not None}


@lru_cache(maxsize=2)
def document_of(text: str) -> MachineDocument:
    """The machine of a text, read once for all who ask in turn; nobody can change it."""
    return read_machine_text(text, "machine.yaml")


def checked(text: str, **how: Any) -> CheckResult:
    """The whole check of a machine file's text, its checkers built for a short compile."""
    check = import_module("stillgate.interlocks.checking.checker").check  # a function that hides its module
    with pytest.MonkeyPatch.context() as patch:
        build_quickly(patch)
        result: CheckResult = check(document_of(text), **how)
    return result
