"""Reachable situations of small machines: the C engine against networkx on the executive's graph.

Outside reference: the graph is built by the executive alone, scan by scan from every
snapshot, with no step program and no C, and networkx says what is reachable and how far.
"""

from __future__ import annotations

import networkx as nx
import pytest
from hypothesis import HealthCheck, assume, given, settings

import small_machines as small
from engine import search_c
from executive_graph import Situation, executive_graph, first_seen
from machines_strategy import SMALL, machines
from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop

MACHINES = {
    "semaphore": small.semaphore(),
    "peterson_compact": small.peterson_compact(),
    "peterson": small.peterson(),
    "peterson_wrong_order": small.peterson_wrong_order(),
    "philosophers": small.philosophers(3),
    "left_handed": small.philosophers(4, last_is_left_handed=True),
    "any_order": small.philosophers_any_order(3),
}


def situations(loop: ClosedLoop) -> dict[Situation, int]:
    """States and memory of every stored state, with the depth it is first seen at."""
    slots = {cell: i for i, cell in enumerate(loop.key_cells)}
    found: dict[Situation, int] = {}
    for key, depth in search_c(loop).depths.items():
        states = tuple(item.states[key[slots[item.active]]] for item in loop.controller.sequences)
        memory = tuple(key[slots[cell]] for cell in loop.controller.memory)
        found[states, memory] = min(depth, found.get((states, memory), depth))
    return found


@pytest.mark.parametrize("name", MACHINES)
def test_the_engine_reaches_what_networkx_reaches_and_as_soon(name: str) -> None:
    machine = small.as_machine(MACHINES[name])
    found = situations(close_loop(machine, tick=machine.scan, faults=0))
    assert found == first_seen(executive_graph(machine))


@pytest.mark.parametrize("name", MACHINES)
def test_deadlocks_are_the_nodes_from_which_networkx_finds_no_other_situation(name: str) -> None:
    """A stuck situation is one whose every descendant in the executive's graph looks the same."""
    machine = small.as_machine(MACHINES[name])
    graph = executive_graph(machine)
    seen = nx.get_node_attributes(graph, "situation")
    stuck = {
        seen[node] for node in graph if {seen[other] for other in nx.descendants(graph, node)} <= {seen[node]}
    }
    expected = {"philosophers": 1, "any_order": 2}.get(name, 0)
    assert len(stuck) == expected


def reaches_the_same(machine: Machine, limit: int) -> None:
    try:
        graph = executive_graph(machine, limit)
    except OverflowError:
        assume(False)
    loop = close_loop(machine, tick=machine.scan, faults=0, canonical=False)
    assert situations(loop) == first_seen(graph)


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))
@given(machine=machines(SMALL))
def test_random_machines_reach_the_same_states_and_memory(machine: Machine) -> None:
    """Without dropping dead values, so that memory can be compared as well."""
    reaches_the_same(machine, limit=200)


@pytest.mark.night
@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
@given(machine=machines(SMALL))
def test_many_random_machines_reach_the_same_states_and_memory(machine: Machine) -> None:
    reaches_the_same(machine, limit=1000)
