"""Signal flow of the whole machine: who tells whom what.

Operator and physical parts on one side, sequences in the middle, interlocks before the
outputs, and the parts again as what the outputs drive. One arrow carries all signals that
one box hands to another, by name, so the number of arrows grows with the boxes and not with
the signals. Sequences and parts that watch one another are joined by dashed arrows.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import graphviz
from stillgate.controller.expression import Expression, Name, walk
from stillgate.controller.machine import Automaton, Flow, Machine, Part, Spin, Travel

from .diagram import (
    EDGE_ATTRIBUTES,
    GRAPH_ATTRIBUTES,
    GREY,
    NODE_ATTRIBUTES,
    Diagram,
    bold,
    escaped,
    legend,
    plain,
    small,
    stacked,
)
from .wording import condition_words, wrap_words

OPERATOR = "operator"
OUTSIDE = "outside"
INTERLOCKS = "interlocks"
INDICATORS = "indicators"
SIGNAL_FLOW = "signal_flow"
MOST_NAMES = 12
"""Names on one arrow; more are counted, and stand in the I/O list instead."""


@dataclass(frozen=True, slots=True)
class Arrow:
    """All signals that one box hands to another."""

    source: str
    target: str
    names: tuple[str, ...]
    watching: bool = False  # a state or place that is looked at, not a wire


def machine_diagram(machine: Machine) -> Diagram:
    """The signal flow of a machine."""
    title = f"{plain(machine.title) or machine.machine}: signal flow"
    arrows = arrows_of(machine)
    boxes = _boxes(machine, arrows)
    heading = [f'<font point-size="14">{bold(title)}</font>']
    heading += [small(line) for line in wrap_words(plain(machine.note), 90)]
    graph = graphviz.Digraph(
        graph_attr={
            **GRAPH_ATTRIBUTES,
            "rankdir": "LR",
            "labelloc": "b",
            "labeljust": "l",
            "ranksep": "0.7",
            "label": f'<<font color="{GREY}" point-size="10">{legend(_legend(machine, arrows))}</font>>',
        },
        node_attr=NODE_ATTRIBUTES,
        edge_attr=EDGE_ATTRIBUTES,
    )
    with graph.subgraph(name="cluster_machine") as frame:
        frame.attr(label=f"<{stacked(heading)}>", labelloc="t", labeljust="l", color="white", margin="16")
        for column in _columns(list(boxes)):
            with frame.subgraph() as rank:
                rank.attr(rank="same")
                for name in column:
                    label, style = boxes[name]
                    rank.node(name, label=f"<{label}>", **style)
        for arrow in arrows:
            frame.edge(arrow.source, arrow.target, label=f"<{_names(arrow)}>", **_arrow_style(arrow))
    return Diagram(
        f"{machine.machine}.{SIGNAL_FLOW}", title, graph.source, nodes=len(boxes), edges=len(arrows)
    )


def _columns(names: list[str]) -> list[list[str]]:
    """Boxes by column: who speaks to the controller, sequences, interlocks, what is moved."""
    outside = [name for name in names if name in (OPERATOR, OUTSIDE)]
    sequences = [name for name in names if name.startswith("sequence ")]
    interlocks = [name for name in names if name == INTERLOCKS]
    moved = [name for name in names if name.startswith("part ") or name == INDICATORS]
    return [column for column in (outside, sequences, interlocks, moved) if column]


def _arrow_style(arrow: Arrow) -> dict[str, str]:
    """Only arrows from left to right shape the columns."""
    back = arrow.source.startswith("part ")
    return {
        **({"style": "dashed"} if arrow.watching else {}),
        **({"constraint": "false"} if back or arrow.watching else {}),
    }


def arrows_of(machine: Machine) -> list[Arrow]:
    """Every arrow of the signal flow, in the order of the file."""
    carried: dict[tuple[str, str, bool], dict[str, None]] = {}

    def carry(source: str, target: str, name: str, watching: bool = False) -> None:
        if source != target:
            carried.setdefault((source, target, watching), {})[name] = None

    held = {item.hold_off for item in machine.interlocks}
    driven = {name: list(_driven_parts(machine, name)) for name in machine.outputs}
    readers: list[tuple[str, list[Expression]]] = [
        (_sequence(name), list(_guards(machine, name))) for name in machine.sequences
    ]
    readers.append((INTERLOCKS, [item.unless.tree for item in machine.interlocks]))
    for target, trees in readers:
        for path in _paths(trees):
            first = path.partition(".")[0]
            if first in machine.inputs:
                for source in _sources(machine, first):
                    carry(source, target, first)
            elif first in machine.sequences:
                carry(_sequence(first), target, path, True)
            elif first in machine.memory:
                for writer in _writers(machine, first):
                    carry(writer, target, first, True)
    for name, sequence in machine.sequences.items():
        for output in dict.fromkeys(item for state in sequence.states.values() for item in state.on):
            targets = driven.get(output) or [INDICATORS]
            if output in held:
                carry(_sequence(name), INTERLOCKS, output)
            for target in targets:
                carry(INTERLOCKS if output in held else _sequence(name), target, output)
    for name, part in machine.parts.items():
        for path in _paths(drive_conditions(part)):
            first = path.partition(".")[0]
            if first in machine.parts:
                carry(_part(first), _part(name), path, True)
    return [
        Arrow(source, target, tuple(names), watching) for (source, target, watching), names in carried.items()
    ]


def drive_conditions(part: Part) -> Iterator[Expression]:
    """The conditions, over outputs and other parts, that make a part move."""
    match part:
        case Spin(drive=drive):
            yield drive.tree
        case Travel(forward=forward, back=back):
            yield forward.tree
            yield back.tree
        case Flow(runs_while=runs_while):
            yield runs_while.tree
        case Automaton(states=states):
            for state in states.values():
                for way in state.exits:
                    if way.when is not None:
                        yield way.when.tree


def _guards(machine: Machine, name: str) -> Iterator[Expression]:
    sequence = machine.sequences[name]
    for override in sequence.overrides:
        yield override.when.tree
    for state in sequence.states.values():
        for way in state.exits:
            if way.when is not None:
                yield way.when.tree


def _paths(trees: Iterable[Expression]) -> list[str]:
    """Names read by conditions, each once, in order."""
    return list(dict.fromkeys(node.path for tree in trees for node in walk(tree) if isinstance(node, Name)))


def _sources(machine: Machine, signal: str) -> list[str]:
    parts = [_part(name) for name, part in machine.parts.items() if signal in part.senses]
    return parts or [OPERATOR if machine.inputs[signal].source == "operator" else OUTSIDE]


def _writers(machine: Machine, memory: str) -> Iterator[str]:
    for name, sequence in machine.sequences.items():
        ways = [*sequence.overrides, *(way for state in sequence.states.values() for way in state.exits)]
        if any(memory in (*way.do, *way.set, *way.clear) for way in ways):
            yield _sequence(name)


def _driven_parts(machine: Machine, output: str) -> Iterator[str]:
    for name, part in machine.parts.items():
        if output in _paths(drive_conditions(part)):
            yield _part(name)


def _sequence(name: str) -> str:
    return f"sequence {name}"


def _part(name: str) -> str:
    return f"part {name}"


def _boxes(machine: Machine, arrows: list[Arrow]) -> dict[str, tuple[str, dict[str, str]]]:
    """Label and style of each box that stands in the picture."""
    used = {end for arrow in arrows for end in (arrow.source, arrow.target)}
    boxes: dict[str, tuple[str, dict[str, str]]] = {}
    if OPERATOR in used:
        boxes[OPERATOR] = (bold("operator"), {"shape": "ellipse"})
    if OUTSIDE in used:
        boxes[OUTSIDE] = (
            stacked([bold("surroundings"), small("switches that no part moves")], "center"),
            {"shape": "ellipse"},
        )
    for name, sequence in machine.sequences.items():
        states = [escaped(state) for state in sequence.states]
        boxes[_sequence(name)] = (_table(f"sequence {name}", states), {})
    if INTERLOCKS in used:
        boxes[INTERLOCKS] = (
            _table("interlocks", [escaped("the last word on an output")]),
            {"penwidth": "2.5"},
        )
    for name, part in machine.parts.items():
        boxes[_part(name)] = (
            stacked([bold(name), small(part.kind)], "center"),
            {"style": "rounded,filled", "fillcolor": "#eeeeee"},
        )
    if INDICATORS in used:
        boxes[INDICATORS] = (
            stacked([bold("indicators"), small("outputs that drive no part")], "center"),
            {"shape": "ellipse"},
        )
    return boxes


def _table(heading: str, lines: list[str]) -> str:
    return (
        '<table border="0" cellborder="0" cellspacing="0" cellpadding="2">'
        f'<tr><td align="center">{bold(heading)}</td></tr><hr/>'
        f'<tr><td align="left">{stacked(lines)}</td></tr></table>'
    )


def _names(arrow: Arrow) -> str:
    shown = [escaped(name) for name in arrow.names[:MOST_NAMES]]
    if len(arrow.names) > MOST_NAMES:
        shown.append(escaped(f"and {len(arrow.names) - MOST_NAMES} more"))
    return stacked(shown)


def _legend(machine: Machine, arrows: list[Arrow]) -> list[tuple[str, str]]:
    rows = [("box", "a sequence of the controller, with its states")]
    if machine.parts:
        rows.append(
            ("grey, rounded", "a physical part; its arrows out are switches, its arrows in are outputs")
        )
    if any(arrow.watching for arrow in arrows):
        rows.append(("dashed", "looks at a state, a memory or the place of another part"))
    for item in machine.interlocks:
        why = f" ({plain(item.why)})" if item.why else ""
        rows.append(
            (f"interlock {escaped(item.hold_off)}", f"off unless {condition_words(item.unless.tree)}{why}")
        )
    return rows
