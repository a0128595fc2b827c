"""Replacements that the product would not notice are refused, and checkers of tests are built quickly."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from engine import OPTIONS, build_quickly, checked
from quick_compiler import quick_compiler
from stillgate.controller.c import toolchain
from stillgate.controller.c.toolchain import Compiler
from stillgate.interlocks.checking import loop_search, search_plan
from stillgate.interlocks.exploration import search
from stillgate.interlocks.symbolic import deployed_points

BLINKER = """
machine: blinker
scan: 20 ms
inputs: {go: {from: operator}}
outputs: {lamp: {}}
sequences:
  q:
    start: dark
    states:
      dark: {exits: [{when: go, after: 100 ms, to: lit}]}
      lit: {on: [lamp], exits: [{after: 200 ms, to: dark}]}
requirements:
  not_long: {never: 'held(lamp, 400 ms)'}
check: {faults: 0}
"""


def test_replacing_a_function_where_it_is_written_while_others_imported_it_is_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The very mistake by which tests compiled with the optimiser unnoticed."""
    with pytest.raises(AssertionError, match=r"loop_search.* imported build_checker from"):
        monkeypatch.setattr(search, "build_checker", None)
    monkeypatch.setattr(loop_search, "build_checker", None)


def test_replacing_what_was_looked_up_when_a_function_was_made_is_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A default value is that of the import."""
    with pytest.raises(AssertionError, match=r"no function asks .*deployed_points for POINTS when it runs"):
        monkeypatch.setattr(deployed_points, "POINTS", 1)
    with pytest.raises(AssertionError, match="no function asks"):
        monkeypatch.setattr("stillgate.interlocks.symbolic.deployed_points.POINTS", 1)


@pytest.mark.parametrize("few", [search_plan.FEW, 1])
def test_a_check_of_a_test_is_built_by_the_quick_compiler_with_nothing_optimised(
    monkeypatch: pytest.MonkeyPatch, few: int, tmp_path: Path
) -> None:
    """Of single situations, and of sets of times besides: whatever reaches the compiler."""
    built: list[tuple[Compiler, tuple[str, ...]]] = []
    right = toolchain._built

    def seen(compiler: Compiler, sources: Any, main: str, options: tuple[str, ...], *more: Any) -> bytes:
        built.append((compiler, options))
        return right(compiler, sources, main, options, *more)

    monkeypatch.setenv("STILLGATE_CACHE", str(tmp_path))  # nothing is there yet
    monkeypatch.setattr(toolchain, "_built", seen)
    monkeypatch.setattr(search_plan, "FEW", few)
    build_quickly(monkeypatch)
    result = checked(BLINKER, use_cache=False)
    assert (result.exploration[0].sets is not None) is (few == 1)
    assert len(built) >= (2 if few == 1 else 1)
    assert set(built) == {(quick_compiler(), OPTIONS)}
