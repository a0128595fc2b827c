"""The random closed machines are worth searching: every pattern both breaks and holds among them.

A pattern that always held, or held only because its trigger never happened, would test
nothing. Takes minutes, for every machine is compiled and searched.
"""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from engine import searching
from plants_strategy import PATTERNS, closed_machine_dicts
from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.loop.closed_loop import close_loop
from stillgate.interlocks.results.requirement_text import pattern_of

EXAMPLES = 200


@pytest.mark.night
def test_every_pattern_breaks_and_holds_non_vacuously_among_random_machines() -> None:
    broken: Counter[str] = Counter()
    held: Counter[str] = Counter()

    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        derandomize=True,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(st.data())
    def look(data: st.DataObject) -> None:
        machine = Machine.model_validate(data.draw(closed_machine_dicts(patterns=PATTERNS)))
        loop = close_loop(machine, tick=machine.scan, faults=0, exact=True)
        with searching(loop) as done:
            breaks, marks = done.breaks(), done.marks()
            happened = {
                name
                for number, name in enumerate(loop.monitors.triggers)
                if marks[loop.monitors.first_mark + number]
            }
            for name, requirement in machine.requirements.items():
                pattern = pattern_of(requirement)
                if pattern == "possibility":
                    (broken if done.goal_depth(name) is None else held)[pattern] += 1
                elif pattern == "possibility from anywhere":
                    (held if done.cut_off(name) is None else broken)[pattern] += 1
                elif name in breaks:
                    broken[pattern] += 1
                elif name in happened or name not in loop.monitors.triggers:
                    # Not listed: no trigger, or one of free inputs alone, which may always happen.
                    held[pattern] += 1

    look()
    patterns = {
        "absence", "universality", "bounded response", "bounded invariance", "precedence",
        "possibility", "possibility from anywhere",
    }  # fmt: skip
    for pattern in patterns:
        assert broken[pattern] >= 3, f"{pattern} hardly ever breaks: {broken}"
        assert held[pattern] >= 3, f"{pattern} hardly ever holds: {held}"
