"""State diagram of the whole machine: every sequence in a frame of its own, side by side.

One page that shows how many sequences there are, what each of them asks for, and how they hang
together in a story: the steps of a path are numbered through all of them. Exits bear their
numbers only; the conditions stand in the picture of each sequence, where there is room for them.
"""

from __future__ import annotations

from collections.abc import Callable

import graphviz

from stillgate.controller.machine_file.machine import Machine

from ..diagram import (
    EDGE_ATTRIBUTES,
    GRAPH_ATTRIBUTES,
    GREY,
    NODE_ATTRIBUTES,
    Diagram,
    bold,
    folded,
    legend_label,
    plain,
    plain_marks,
    small,
    stacked,
)
from .overlay import NOTHING, Overlay
from .state_graph import add_sequence, count_edges, count_nodes, state_marks

WHOLE_MACHINE = "whole-machine"
"""Name of the picture; a sequence cannot have it, since names of a machine file hold no hyphen."""


def whole_machine_diagram(
    machine: Machine, overlay: Callable[[str], Overlay] = lambda _: NOTHING, *, explained: bool = True
) -> Diagram:
    """The states of all sequences in one picture.

    Args:
        overlay: what is to be shown besides, for each sequence.
        explained: with a legend in the picture; else ``marks`` tells it.
    """
    title = f"{plain(machine.title) or machine.machine}: all sequences"
    models = list(machine.sequences.values())
    overlays = {name: overlay(name) for name in machine.sequences}
    marks = state_marks(machine, models, list(overlays.values()), brief=True)
    heading = [f'<font point-size="14">{bold(title)}</font>']
    heading += [small(line) for line in folded(plain(machine.note))]
    graph = graphviz.Digraph(
        graph_attr={
            **GRAPH_ATTRIBUTES,
            "labelloc": "b",
            "labeljust": "l",
            "nodesep": "0.25",
            "ranksep": "0.35",
            "label": legend_label(marks, len(models)) if explained else "",
        },
        node_attr=NODE_ATTRIBUTES,
        edge_attr=EDGE_ATTRIBUTES,
    )
    with graph.subgraph(name="cluster_machine") as whole:
        whole.attr(label=f"<{stacked(heading)}>", labelloc="t", labeljust="l", color="white", margin="16")
        for name in machine.sequences:
            with whole.subgraph(name=f"cluster.{name}") as frame:
                frame.attr(label=f"<{bold(name)}>", labeljust="l", color=GREY, margin="9")
                add_sequence(frame, machine, name, overlays[name], brief=True)
    return Diagram(
        name=f"{machine.machine}.{WHOLE_MACHINE}",
        title=title,
        source=graph.source,
        nodes=sum(map(count_nodes, models)),
        edges=sum(map(count_edges, models)),
        marks=plain_marks(marks),
    )
