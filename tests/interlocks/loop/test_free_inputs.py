"""Beliefs about free inputs are exact: every answer some history gives, and no other.

The other side is brute force: all level sequences, run through a debounce, an edge and a
timer written here from their published definitions (IEC 61131-3: R_TRIG, F_TRIG, TON).
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.controller_program import Signal
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import Observation
from stillgate.interlocks.loop.free_inputs import NONE, History, Mode, Query, history_of

SCAN = 10
Answers = tuple[int, ...]


def signal(debounce: int, guard: str) -> Signal:
    """The only input of a machine that asks ``guard`` of it."""
    machine = Machine.model_validate({
        "machine": "m",
        "scan": f"{SCAN} ms",
        "inputs": {"x": {"debounce": f"{debounce * SCAN} ms"}},
        "outputs": {"lamp": {}},
        "sequences": {"s": {"start": "a", "states": {
            "a": {"on": ["lamp"], "exits": [{"when": guard, "to": "a"}]}}}},
    })  # fmt: skip
    return lower_controller(machine).signals[0]


def brute_force(queries: list[Query], debounce: int, levels: tuple[int, ...]) -> Iterator[Answers]:
    """Answers to all queries, tick by tick, of one history of the circuit."""
    accepted = differs = held = before = 0
    for circuit in levels:
        was = accepted
        differs = differs + 1 if circuit != accepted else 0
        if differs > debounce:
            accepted, differs = circuit, 0
        held = held + 1 if accepted else 0
        told = {
            Observation.LEVEL: accepted,
            Observation.ROSE: accepted & ~was & 1,
            Observation.FELL: was & ~accepted & 1,
            Observation.CIRCUIT: circuit,
            Observation.CIRCUIT_ROSE: circuit & ~before & 1,
            Observation.CIRCUIT_FELL: before & ~circuit & 1,
        }
        yield tuple(int(held > ticks) if item is Observation.HELD else told[item] for item, ticks in queries)
        before = circuit


def walked(history: History, length: int) -> set[tuple[Answers, ...]]:
    """Every sequence of answers that a search can get when it asks everything in each tick."""

    def answers(node: int) -> Iterator[tuple[Answers, int]]:
        open_nodes: list[tuple[Answers, int]] = [((), node)]
        for query in range(len(history.queries)):
            following = []
            for told, at in open_nodes:
                for answer, to in ((1, history.yes[at][query]), (0, history.no[at][query])):
                    if to != NONE:
                        following.append(((*told, answer), to))
            open_nodes = following
        yield from open_nodes

    runs: set[tuple[tuple[Answers, ...], int]] = {((), history.start)}
    for _ in range(length):
        runs = {
            ((*told, new), member)
            for told, belief in runs
            for new, node in answers(history.roots[Mode.HEALTHY][belief])
            for member in history.members[history.ends[node]]
        }
    return {told for told, _ in runs}


GUARDS = {
    "x": [(Observation.LEVEL, 0)],
    "rising(x)": [(Observation.ROSE, 0)],
    "falling(x) or x": [(Observation.FELL, 0), (Observation.LEVEL, 0)],
    "held(x, 20 ms)": [(Observation.HELD, 2)],
    "held(x, 10 ms) and not held(x, 30 ms) or rising(x)": [
        (Observation.HELD, 1), (Observation.HELD, 3), (Observation.ROSE, 0)
    ],
}  # fmt: skip
CIRCUITS = [[], [(Observation.CIRCUIT, 0)], [(Observation.CIRCUIT_ROSE, 0), (Observation.CIRCUIT_FELL, 0)]]


@pytest.mark.parametrize("exact", [False, True])
@pytest.mark.parametrize("debounce", [0, 1, 2])
@pytest.mark.parametrize("guard", GUARDS)
def test_the_answers_are_those_of_some_level_sequence_and_all_of_them(
    guard: str, debounce: int, exact: bool
) -> None:
    for extra in CIRCUITS:
        queries = [*GUARDS[guard], *extra]
        history = history_of(signal(debounce, guard), queries, SCAN, exact=exact)
        length = 7
        expected = {
            tuple(brute_force(queries, debounce, levels)) for levels in product((0, 1), repeat=length)
        }
        assert walked(history, length) == expected


@settings(max_examples=60, deadline=None)
@given(
    guard=st.sampled_from(sorted(GUARDS)),
    debounce=st.integers(0, 2),
    levels=st.lists(st.integers(0, 1), min_size=1, max_size=12),
    asks=st.lists(st.booleans(), min_size=40, max_size=40),
)
def test_a_true_history_is_never_ruled_out_whatever_is_asked(
    guard: str, debounce: int, levels: list[int], asks: list[bool]
) -> None:
    """Asking only now and then, the belief always keeps room for what is really so."""
    queries = GUARDS[guard]
    history = history_of(signal(debounce, guard), queries, SCAN)
    belief = history.start
    choices = iter(asks * 4)
    for told in brute_force(queries, debounce, tuple(levels)):
        node = history.roots[Mode.HEALTHY][belief]
        for number, answer in enumerate(told):
            if next(choices):
                node = (history.yes if answer else history.no)[node][number]
                assert node != NONE
        belief = history.ends[node]


def test_a_stuck_input_gives_one_answer_only() -> None:
    history = history_of(signal(0, "x"), [(Observation.LEVEL, 0)], SCAN)
    on = history.roots[Mode.STUCK_ON][history.start]
    off = history.roots[Mode.STUCK_OFF][history.start]
    assert history.no[on] == (NONE,)
    assert history.yes[off] == (NONE,)


def test_exact_beliefs_hold_one_value_each() -> None:
    history = history_of(signal(1, "rising(x)"), [(Observation.ROSE, 0)], SCAN, exact=True)
    reached = {member for members in history.members for member in members}
    assert all(len(history.beliefs[number]) == 1 for number in reached)


def test_exact_tables_grow_with_the_hold_and_not_with_its_square() -> None:
    """Sets of memories that are resolved at once begin no tick; 6 nodes a memory are enough."""
    held = [(Observation.HELD, ticks) for ticks in (199, 200)]
    history = history_of(signal(0, "held(x, 2 s)"), held, SCAN, exact=True)
    assert len(history.yes) < 8 * 200


def test_without_a_question_the_belief_grows_to_everything_possible() -> None:
    """A level that is not asked may be anything afterwards: on for one scan, or not."""
    history = history_of(signal(0, "rising(x)"), [(Observation.ROSE, 0)], SCAN)
    after = history.ends[history.roots[Mode.HEALTHY][history.start]]
    assert len(history.beliefs[after]) == 2
    assert history.forgotten == after
