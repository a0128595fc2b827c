"""Small machines whose verdicts once were false, each with the verdict that is right.

Every file is the smallest known of its kind of mistake. What is right follows from the reference
page alone and was worked out by hand beside each row, or by a search of every run by brute force.
"""

from __future__ import annotations

from copy import deepcopy
from itertools import product
from pathlib import Path

import pytest
from oracle import Oracle
from stillgate.controller.machine import Machine
from stillgate.controller.reader import read_machine
from stillgate.interlocks.check import check
from stillgate.interlocks.compare import compare
from stillgate.interlocks.verdict import Word

FOLDER = Path(__file__).parent / "false_verdicts"

RIGHT: dict[str, dict[str, str]] = {
    # a sets n to 1, b asks it for 3, which leaves 0..1: 1 is kept, so c leads to d and never to e.
    "bounds_keep_old_value": {"nd": "broken", "reach_e": "broken"},
    "bounds_crash": {"nd": "broken", "ne": "holds"},
    "compare_left": {"nd": "holds"},
    "compare_right": {"nd": "holds"},
    # A drive that is stuck on goes on under the brake and under free hands; its times: test_fault_times.py.
    "stop_time": {"both": "broken", "hands": "broken"},
}
"""By file and requirement: 'holds' or 'broken', without faults unless the file asks for more."""


@pytest.mark.parametrize("name", RIGHT)
def test_the_verdicts_are_those_that_follow_from_the_page(name: str) -> None:
    result = check(read_machine(FOLDER / f"{name}.yaml"), use_cache=False)
    assert {item.name: item.verdict.value for item in result.requirements} == RIGHT[name]


# -- by every run --------------------------------------------------------------------------------


def every_situation(machine: Machine) -> list[Oracle]:
    """Every situation that any run without faults comes to, by the oracle, of a machine without parts."""
    found: dict[tuple[object, ...], Oracle] = {}
    waiting = [Oracle(machine)]
    for before in waiting:  # grows while it is walked
        for levels in product((False, True), repeat=len(machine.inputs)):
            now = deepcopy(before)
            now.scan(dict(zip(machine.inputs, levels, strict=True)))
            key = (*now.states.items(), *now.memory.items(), *now.outputs.items())
            if key not in found:
                found[key] = now
                waiting.append(now)
    return list(found.values())


@pytest.mark.parametrize("name", ["bounds_keep_old_value", "bounds_crash"])
def test_the_verdicts_where_a_counter_keeps_its_value_are_those_of_every_run(name: str) -> None:
    """No exit of these waits or looks back, so states, memory and outputs are all there is."""
    machine = read_machine(FOLDER / f"{name}.yaml").machine
    situations = every_situation(machine)
    states = {item.states["q"] for item in situations}
    lit = any(item.outputs.get("o", False) for item in situations)
    by_hand = (
        {"nd": lit, "reach_e": "e" not in states}
        if "reach_e" in machine.requirements
        else {"nd": "d" in states, "ne": "e" in states}
    )
    assert {key: "broken" if broken else "holds" for key, broken in by_hand.items()} == RIGHT[name]


def test_outputs_that_differ_where_a_counter_keeps_its_value_are_told_to_differ() -> None:
    """One version lights o in d, the other does not; d is reached in the fourth scan with i, as by hand."""
    old, new = (read_machine(FOLDER / f"compare_{side}.yaml") for side in ("left", "right"))
    results = (check(old, use_cache=False), check(new, use_cache=False))
    found = compare(old, new, results)
    assert found.outputs is Word.BROKEN
    assert found.differing == ("o",)
    assert found.difference is not None
    assert found.difference.ticks == 3
    lit = [any(item.outputs["o"] for item in every_situation(it.machine) if "o" in item.outputs)
           for it in (old, new)]  # fmt: skip
    assert lit == [True, False]
