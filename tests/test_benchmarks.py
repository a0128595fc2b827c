"""The rivals that the engine is timed against do the same work: same step, same states."""

from __future__ import annotations

import re
from importlib import import_module
from pathlib import Path
from types import ModuleType

import pytest
from engine import searching
from machine_texts import YARD_GATE
from python_search import search
from stillgate.controller.reader import read_machine, read_machine_text
from stillgate.interlocks.closed_loop import ClosedLoop, close_loop

ROOT = Path(__file__).parent.parent


@pytest.fixture
def rivals(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The module under test; benchmarks are not installed, so the root must be on the path."""
    monkeypatch.syspath_prepend(str(ROOT))
    return import_module("benchmarks.rivals")


def saw(faults: int) -> ClosedLoop:
    machine = read_machine(ROOT / "machines" / "guarded_saw.yaml").machine
    return close_loop(machine, tick=machine.check.tick or machine.scan, faults=faults, possibility=False)


def test_generated_python_takes_the_very_transitions_of_the_evaluator(rivals: ModuleType) -> None:
    """Against ``python_search``: other code for statements, choices, keys and search."""
    loop = saw(0)
    found, visited = search(loop), rivals.DictSearch(loop).run()
    assert visited.complete
    assert (visited.states, visited.transitions) == (len(found.depths), found.transitions)
    depths = list(found.depths.values())
    assert visited.sizes == tuple(depths.count(depth) for depth in range(max(depths) + 1))
    assert visited.broken == tuple(found.broken.get(name, 0) for name in loop.requirement_names)


def test_generated_python_finds_the_states_of_the_engine_with_every_single_fault(rivals: ModuleType) -> None:
    loop = saw(1)
    visited = rivals.DictSearch(loop).run()
    with searching(loop) as found:
        outcome = found._explorer.run()  # the finished one
        assert visited.sizes == outcome.sizes
        depths = [found._explorer.record(index) for index in range(len(loop.requirement_names))]
        assert visited.broken == tuple(record.depth if record else 0 for record in depths)


def test_a_search_out_of_time_says_so_and_counts_whole_levels_only(rivals: ModuleType) -> None:
    loop = saw(1)
    whole, cut = rivals.DictSearch(loop).run(), rivals.DictSearch(loop).run(0.0)
    assert whole.complete and not cut.complete
    assert cut.sizes == whole.sizes[: len(cut.sizes)]
    assert cut.transitions < whole.transitions


@pytest.mark.night  # numba compiles for half a minute
def test_the_numba_step_finds_the_states_of_plain_python(rivals: ModuleType) -> None:
    pytest.importorskip("numba")
    loop = saw(1)
    plain = rivals.DictSearch(loop).run()
    fast = rivals.NumbaSearch(loop, plain.states).run()
    assert (fast.states, fast.transitions, fast.sizes) == (plain.states, plain.transitions, plain.sizes)


def test_a_changed_machine_file_differs_in_one_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(ROOT))
    changed = import_module("benchmarks.commands").changed_text
    text = "a: {after: 600 ms}\nb: {after: 1.5 s}\n"
    assert changed(text, 0) == "a: {after: 700 ms}\nb: {after: 1.5 s}\n"
    assert changed(text, 1) == "a: {after: 600 ms}\nb: {after: 1.6 s}\n"
    with pytest.raises(ValueError, match=re.escape("no time to change")):
        changed("a: {when: b}", 0)


def test_the_figures_say_whether_a_stored_state_may_stand_for_several_situations(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """An input with a debounce time is remembered as a set of memories."""
    monkeypatch.syspath_prepend(str(ROOT))
    remembered = import_module("benchmarks.exploration")._remembered
    demo = read_machine(ROOT / "machines" / "lavender_harvester.yaml").machine
    text = remembered(close_loop(demo, tick=100, faults=0, possibility=False))
    assert text == "as nothing is remembered of its 13 free inputs from tick to tick, one situation"
    gate = read_machine_text(YARD_GATE).machine
    assert re.match(
        "of [1-3] of [1-3] free inputs it holds a set of possible memories",
        remembered(close_loop(gate, tick=20, faults=0, possibility=False)),
    )
