"""The generators keep their promises: valid files, machines that move, every pattern."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machines_strategy import SMALL, MachineDict, machine_dicts, machine_text, machines, sample
from oracle import Oracle
from plants_strategy import PATTERNS, closed_machine_dicts, closed_machines
from stillgate.controller.errors import Severity
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine_text

CONSTRUCTS = (
    "rising(", "falling(", "held(", '"after"', '"debounce"', '"overrides"', '"unless"', '"range"',
    '"set"', '"clear"', '"do"', '"active": "low"', " xor ", " + 1", "<>",
)  # fmt: skip
SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much]


def moves(machine: Machine, scans: int, number: int) -> bool:
    """Whether any sequence leaves its start state on random levels within some scans."""
    chance = random.Random(number)
    oracle = Oracle(machine)
    start = dict(oracle.states)
    pins = dict.fromkeys(machine.inputs, False)
    for _ in range(scans):
        pins = {name: chance.random() < 0.5 if chance.random() < 0.5 else old for name, old in pins.items()}
        oracle.scan(pins)
        if oracle.states != start:
            return True
    return False


@pytest.mark.parametrize("strategy", [machines(), machines(SMALL), closed_machines()])
def test_random_machines_move(strategy: st.SearchStrategy[Machine]) -> None:
    """At least four of five leave their start states within 50 random scans."""
    found = sample(strategy, 100)
    moving = sum(moves(machine, 50, number) for number, machine in enumerate(found))
    assert moving >= 0.8 * len(found), f"{moving} of {len(found)}"


def all_of(found: list[MachineDict], test: Callable[[MachineDict], bool]) -> int:
    """How many machines pass a test."""
    return sum(test(item) for item in found)


def test_random_machines_use_every_construct() -> None:
    """Each appears in at least one machine of twenty: nothing is tested in name only."""
    found = sample(machine_dicts(), 100)
    texts = [machine_text(item).lower() for item in found]
    for word in CONSTRUCTS:
        assert sum(word in text for text in texts) >= 5, word
    assert all_of(found, lambda item: len(item["sequences"]) > 2) >= 5


@settings(max_examples=60, deadline=None, suppress_health_check=SLOW)
@given(machine_dicts())
def test_a_random_machine_is_a_file_that_the_reader_takes(machine: MachineDict) -> None:
    """The reader raises nothing, and makes the same models of the text as of the dict."""
    document = read_machine_text(machine_text(machine))
    assert document.machine == Machine.model_validate(machine)


@settings(max_examples=60, deadline=None, suppress_health_check=SLOW)
@given(closed_machine_dicts(parts=2))
def test_a_random_closed_machine_is_a_file_that_the_reader_takes(machine: MachineDict) -> None:
    """Parts, requirements and check options included; only warnings may come."""
    document = read_machine_text(machine_text(machine))
    assert all(problem.severity is Severity.WARNING for problem in document.warnings)


def test_random_closed_machines_have_every_kind_of_part_and_every_pattern() -> None:
    """Each kind and pattern appears among sixty machines."""
    found = sample(closed_machine_dicts(), 60)
    kinds = {part["kind"] for item in found for part in item["parts"].values()}
    assert kinds == {"spin", "travel", "flow", "automaton"}
    keys = {key for item in found for body in item["requirements"].values() for key in body}
    assert keys >= {"never", "always", "then", "keep", "first", "reach", "from_anywhere"}
    assert len(PATTERNS) == 7
