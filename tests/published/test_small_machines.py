"""Exact numbers of reachable states, steps and deadlocks of textbook algorithms.

Sources: counts recomputed by breadth-first search from first principles, outside this
project; the 10 states of Peterson's algorithm (Peterson 1981) also stand in Baier and
Katoen, Principles of Model Checking, 2008 (from memory); philosophers after Dijkstra,
whose counts follow the Pell and Pell-Lucas numbers.
"""

from __future__ import annotations

import pytest

import small_machines as small
from engine import quick_build, runs_to_breaks, searching
from small_machines import MachineDict
from stillgate.controller.effort import Effort
from stillgate.interlocks.exploration.explorer import Explorer
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop
from stillgate.interlocks.loop.state_layout import packed_fields, unpack

PELL = (0, 1, 2, 5, 12, 29, 70, 169, 408, 985)
STEPS_A = {2: 8, 3: 27, 4: 88, 5: 265, 6: 768, 7: 2163, 8: 5968}


def loop_of(found: MachineDict) -> ClosedLoop:
    machine = small.as_machine(found)
    return close_loop(machine, tick=machine.scan, faults=0)


def counted(found: MachineDict) -> tuple[int, int, int]:
    """States, steps from one state to another, and states without such a step.

    States are what the sequences are in: keys are projected on their cells.
    """
    loop = loop_of(found)
    fields = packed_fields(loop)
    wanted = [loop.key_cells.index(item.active) for item in loop.controller.sequences]

    def seen(key: int) -> tuple[int, ...]:
        values = unpack(fields, key)
        return tuple(values[i] for i in wanted)

    states: set[tuple[int, ...]] = set()
    steps: set[tuple[tuple[int, ...], tuple[int, ...]]] = set()
    with Explorer(quick_build(loop), Effort(threads=1, bytes=1 << 30)) as explorer:
        outcome = explorer.run()
        for key, _ in explorer.states():
            states.add(seen(key))
            steps |= {(seen(key), seen(step.to)) for step in explorer.successors(key)}
    moving = {(start, end) for start, end in steps if start != end}
    stuck = outcome.stuck.states if outcome.stuck else 0
    assert stuck == len(states - {start for start, _ in moving})
    return len(states), len(moving), stuck


def test_two_processes_at_a_semaphore_have_8_states_and_14_steps() -> None:
    assert counted(small.semaphore()) == (8, 14, 0)


def test_peterson_in_compact_form_has_10_states_and_16_steps() -> None:
    """Baier and Katoen 2008 (from memory) and by first principles."""
    assert counted(small.peterson_compact()) == (10, 16, 0)


def test_peterson_with_four_locations_has_20_states_and_34_steps() -> None:
    assert counted(small.peterson()) == (20, 34, 0)


def test_peterson_in_the_wrong_order_has_32_states() -> None:
    assert counted(small.peterson_wrong_order())[0] == 32


@pytest.mark.parametrize("make", [small.semaphore, small.peterson_compact, small.peterson])
def test_the_right_algorithms_are_exclusive(make: type) -> None:
    with searching(loop_of(make())) as done:
        assert done.breaks() == {}


def test_peterson_in_the_wrong_order_lets_both_in_and_the_story_shows_it() -> None:
    """Peterson 1981: the flag must be up before the turn is given away.

    By hand: each process needs three steps from away to critical, so six is the least, and
    six do: q gives the turn to p, p gives it to q, p raises its flag and enters while q's is
    down, q raises its flag and enters, since the turn is q's.
    """
    loop = loop_of(small.peterson_wrong_order())
    with searching(loop, threads=2) as done:
        run = runs_to_breaks(done)["exclusive"]
    critical = {item.name: item.states.index("critical") for item in loop.controller.sequences[:2]}
    last = run.ticks[-1].values
    assert all(last[f"{name}.active"] == number for name, number in critical.items())
    assert len(run.ticks) == 6


def check_philosophers(count: int) -> None:
    pell_lucas = 2 * (PELL[count] + PELL[count - 1])
    assert counted(small.philosophers(count)) == (pell_lucas, STEPS_A[count], 1)
    states, _, stuck = counted(small.philosophers(count, last_is_left_handed=True))
    assert (states, stuck) == (PELL[count + 1], 0)
    states, _, stuck = counted(small.philosophers_any_order(count))
    assert (states, stuck) == (3**count, 2)


@pytest.mark.parametrize("count", [2, 3, 4, 5])
def test_philosophers_have_the_published_numbers_of_states_and_deadlocks(count: int) -> None:
    """All left first: Pell-Lucas numbers and 1 deadlock; one turned: Pell and none; any order: 3^N and 2."""
    check_philosophers(count)


@pytest.mark.night
@pytest.mark.parametrize("count", [6, 7])
def test_more_philosophers_have_the_published_numbers_too(count: int) -> None:
    check_philosophers(count)


def test_the_pell_lucas_numbers_are_those_of_the_closed_form() -> None:
    """(1 + sqrt 2)^N + (1 - sqrt 2)^N, the check of the check."""
    root = 2**0.5
    for count in range(2, 9):
        assert 2 * (PELL[count] + PELL[count - 1]) == round((1 + root) ** count + (1 - root) ** count)


def test_the_deadlock_of_the_philosophers_is_everyone_with_one_fork() -> None:
    """Dijkstra: all hold the left fork and wait for the right one."""
    with searching(loop_of(small.philosophers(3))) as done:
        stuck = done.stuck()
        assert stuck is not None
        assert stuck.states == 1
        assert stuck.run is not None
        last = stuck.run.ticks[-1].values
    states = [item.states[last[item.active.name]] for item in stuck.run.loop.controller.sequences]
    assert states == ["one_fork"] * 3
    assert len(stuck.run.ticks) == 3
