"""Every benchmark runs; the rivals that the engine is timed against do the same work as it does."""

from __future__ import annotations

import re
import shutil
import sys
from functools import partial
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType

import pytest

from engine import searching
from machine_texts import YARD_GATE
from python_search import search
from quick_compiler import write_unoptimised
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop

ROOT = Path(__file__).parent.parent


@pytest.fixture
def rivals(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The module under test; benchmarks are not installed, so the root must be on the path."""
    monkeypatch.syspath_prepend(str(ROOT))
    return import_module("benchmarks.rivals")


def saw(faults: int) -> ClosedLoop:
    machine = read_machine(ROOT / "machines" / "guarded_saw.yaml").machine
    return close_loop(machine, tick=100, faults=faults, possibility=False)


def test_generated_python_takes_the_very_transitions_of_the_evaluator(rivals: ModuleType) -> None:
    """Against ``python_search``: other code for statements, choices, keys and search."""
    machine = read_machine_text(BOTH).machine
    loop = close_loop(machine, tick=20, faults=1, possibility=False)
    found, visited = search(loop), rivals.DictSearch(loop).run()
    assert visited.complete
    assert (visited.states, visited.transitions) == (len(found.depths), found.transitions)
    depths = list(found.depths.values())
    assert visited.sizes == tuple(depths.count(depth) for depth in range(max(depths) + 1))
    assert visited.broken == tuple(found.broken.get(name, 0) for name in loop.requirement_names)
    assert any(visited.broken)
    assert visited.states > 1000


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


def test_the_demo_with_real_times_is_the_demo_scaled(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(ROOT))
    scaled = import_module("benchmarks.scaled")
    demo = scaled.DEMO.read_text(encoding="utf-8")
    assert scaled.REAL.read_text(encoding="utf-8") == scaled.scaled(demo, times=10, bunches=24, rails=10)


# -- each of them, with a small machine and small numbers ----------------------------------------------

SLIDE = """\
machine: slide
scan: 20 ms
hazards: {crushing: between slide and frame}
inputs: {start: {from: operator}, out: {}}
outputs: {forward: {hazard: crushing}, back: {}}
parts:
  slide: {kind: travel, stops: [near, far], forward: forward, back: back, takes: 100..200 ms,
          starts: near, senses: {out: at far}}
sequences:
  q:
    start: rest
    states:
      rest: {exits: [{when: start, after: 100 ms, to: going}]}
      going: {on: [forward], exits: [{when: out, to: coming}, {after: 2 s, to: coming}]}
      coming: {on: [back], exits: [{after: 300 ms, to: rest}]}
interlocks:
  - {hold_off: forward, unless: not q.coming, why: one valve at a time}
requirements:
  apart: {never: asked.forward and asked.back, hazard: crushing}
  arrives: {reach: slide.at_far}
check: {faults: 1}
"""
BOTH = SLIDE.replace("on: [back]", "on: [forward, back]").replace(
    "unless: not q.coming", "unless: not q.rest"
)
PLANTED = f"# broken: apart | both valves are on\n{BOTH}"
SMALL: dict[str, dict[str, object]] = {
    "simulation": {"_SHIFT": 1000, "_SHIFTS": 2, "_SCANS": 2000, "_ROUNDS": 1},
    "soak": {"_HOURS": 1, "_ROUNDS": 1, "_SHIFT": 1000, "_SHIFTS": 4},
    "logs": {"_SHIFT": 60_000, "_HOURS": 1},
    "plugin": {"TURNS": 1},
    "exploration": {"_ROUNDS": 1},
}
"""Constants of the modules of that name, for whom the machine alone is not small enough."""

NAMES = (
    "exploration", "times", "check", "simulation", "soak", "logs", "hunting", "plugin", "watch", "evidence",
    "opinion", "report", "help",
)  # fmt: skip


def test_every_benchmark_is_tried_here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(ROOT))
    assert import_module("benchmarks.__main__")._NAMES == NAMES


@pytest.mark.skipif(sys.platform == "win32", reason="the compiler of this test is a shell script")
@pytest.mark.parametrize("name", NAMES)
def test_a_short_form_of_every_benchmark_runs(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Figures of a computer at work say nothing, so none is held against its target here."""
    if name == "report" and not (find_spec("graphviz_pure") or shutil.which("dot")):
        pytest.skip("no graphviz: a report has drawings")
    monkeypatch.setenv("CC", str(write_unoptimised(tmp_path)))
    (tmp_path / "machines" / "broken").mkdir(parents=True)
    file = tmp_path / "machines" / "slide.yaml"
    file.write_text(SLIDE, encoding="utf-8")
    (tmp_path / "machines" / "broken" / "both.yaml").write_text(PLANTED, encoding="utf-8")
    monkeypatch.syspath_prepend(str(ROOT))
    main = import_module("benchmarks.__main__")
    monkeypatch.setattr(main, "_DEMO", file)
    hunting = main.hunting
    short = partial(hunting.measure, file.parent / "broken", cap=5.0, longest=15.0, seeds=(1,))
    monkeypatch.setattr(hunting, "measure", short)
    if name == "times":
        for constant in ("DEMO", "REAL", "SPLITTER"):
            monkeypatch.setattr(main.real_times, constant, file)
    for constant, value in SMALL.get(name, {}).items():
        monkeypatch.setattr(import_module(f"benchmarks.{name}"), constant, value)
    title, figures, notes = main._measure(name, file, read_machine(file).machine)
    assert title
    assert figures
    if name == "exploration":
        if find_spec("numba") is None:
            pytest.skip("numba is not installed (extra bench): the rest of the comparison has run")
        assert any("against numba: transitions" in item.what for item in figures), notes
