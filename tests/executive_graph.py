"""Everything a controller can do with free inputs, as a networkx graph made by the executive alone.

Slow and obviously right: from every snapshot, one scan for every combination of inputs.
Exploration is held against it.
"""

from __future__ import annotations

from itertools import product

import networkx as nx

from stillgate.controller.execution.executive import Executive
from stillgate.controller.execution.history import Snapshot
from stillgate.controller.machine_file.machine import Machine

Situation = tuple[tuple[str | None, ...], tuple[int, ...]]
"""States of all sequences and values of all memory."""


def executive_graph(machine: Machine, limit: int = 2000) -> nx.DiGraph:
    """Nodes are snapshots with a ``situation``; the graph's ``start`` is power-on, before any scan.

    Raises:
        OverflowError: if there are more than ``limit`` snapshots.
    """
    executive = Executive(machine)
    levels = [
        dict(zip(machine.inputs, row, strict=True))
        for row in product((False, True), repeat=len(machine.inputs))
    ]
    start = executive.snapshot()
    graph = nx.DiGraph(start=start)
    graph.add_node(start, situation=situation(executive))
    work = [start]
    while work:
        node = work.pop()
        for inputs in levels:
            executive.restore(node)
            executive.inputs.update(inputs)
            executive.scan()
            following = executive.snapshot()
            if following not in graph:
                graph.add_node(following, situation=situation(executive))
                work.append(following)
                if len(graph) > limit:
                    raise OverflowError(f"more than {limit} snapshots")
            graph.add_edge(node, following)
    return graph


def situation(executive: Executive) -> Situation:
    """What a search of another kind can be compared on."""
    return tuple(executive.states.values()), tuple(int(value) for value in executive.memory.values())


def first_seen(graph: nx.DiGraph) -> dict[Situation, int]:
    """Scans after power-on by which each situation can first be seen."""
    start: Snapshot = graph.graph["start"]
    found: dict[Situation, int] = {}
    for node, depth in nx.single_source_shortest_path_length(graph, start).items():
        seen = graph.nodes[node]["situation"]
        found[seen] = min(depth, found.get(seen, depth))
    return found
