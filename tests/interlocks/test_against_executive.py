"""The closed loop reaches what the executive can reach, no more and no less, and no later.

The graph is built by the executive alone and measured by networkx; it shares the lowered
terms with the closed loop, but neither its blocks nor its histories of free inputs.
"""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, assume, given, settings

from executive_graph import executive_graph, first_seen
from machines_strategy import SMALL, machines
from python_search import search
from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.loop.closed_loop import close_loop

State = tuple[str | None, ...]


def reached(machine: Machine, **how: bool) -> dict[State, int]:
    """Depth at which the search of the closed loop first sees each combination of states."""
    loop = close_loop(machine, tick=machine.scan, faults=0, **how)
    cells = list(loop.key_cells)
    found: dict[State, int] = {}
    for key, depth in search(loop, limit=20_000).depths.items():
        # A sequence of one state has a cell too: its last value means power off.
        state = tuple(
            sequence.states[key[cells.index(sequence.active)]] for sequence in loop.controller.sequences
        )
        found[state] = min(depth, found.get(state, depth))
    return found


@pytest.mark.parametrize("lazy", [True, False])
@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
@given(machine=machines(SMALL))
def test_the_closed_loop_sees_the_states_the_executive_sees_and_as_soon(lazy: bool, machine: Machine) -> None:
    """On random machines whose inputs are all free, at the scan, without faults."""
    try:
        graph = executive_graph(machine, limit=400)
    except OverflowError:
        assume(False)
    expected: dict[State, int] = {}
    for (states, _), depth in first_seen(graph).items():
        expected[states] = min(depth, expected.get(states, depth))
    assert reached(machine, lazy=lazy) == expected
