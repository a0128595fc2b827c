"""The machines of the second interpreter meet mistakes in the C of the search over sets of times.

Each is made in a copy of the engine; then one of the first thirty machines must be judged differently, or the
check must end with a fault of the program: a point led out of the sets, or a run did not show what it should.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from stillgate.interlocks.symbolic import search as symbolic_search
from whole_oracle.comparing import compare, most_faults_of_sets

MACHINES = 30

MISTAKES = {
    "clocks do not advance": (
        "tick.h",
        "sy_add(w, part, SY_RUNS, w->dimension[clock], grown);",
        "sy_add(w, part, SY_RUNS, w->dimension[clock], 0);",
    ),
    "a comparison is off by one": (
        "state.h",
        "return sy_is_least(w, w->now.clock[clock], k);",
        "return sy_is_least(w, w->now.clock[clock], k + 1);",
    ),
    "a path that repeats is left a tick early": (
        "exploration.h",
        "sy_tighten(m, n, i, 0, w->now.most[i] + 1);",
        "sy_tighten(m, n, i, 0, w->now.most[i]);",
    ),
    "a clock stands a tick before its limit": (
        "tick.h",
        "up ? sy_ge(w, clock, sy_limit(w, clock)) :",
        "up ? sy_ge(w, clock, sy_limit(w, clock) - 1) :",
    ),
    "a set is taken for stored whatever its upper bounds": (
        "bounds.h",
        "if (inner[i] > outer[i])",
        "if (i % n && inner[i] > outer[i])",
    ),
}
"""File, what stands there, and the mistake."""


@pytest.mark.night
@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_in_the_c_of_sets_is_met(
    mistake: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    name, right, wrong = MISTAKES[mistake]
    engine = tmp_path / "engine"
    shutil.copytree(symbolic_search.ENGINE, engine)
    text = (engine / name).read_text(encoding="utf-8")
    assert text.count(right) == 1
    (engine / name).write_text(text.replace(right, wrong), encoding="utf-8")
    monkeypatch.setattr(symbolic_search, "ENGINE", engine)
    faults = [most_faults_of_sets(seed) for seed in range(MACHINES)]
    assert any(compare(seed, faults=most, by_sets=most).differences for seed, most in enumerate(faults)), (
        "no machine is judged differently"
    )
