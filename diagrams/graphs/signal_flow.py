"""Signal flow of the whole machine: who tells whom what.

Operator and surroundings stand above, sequences in the middle, physical parts below. Each
box lists the signals it takes and gives, so the arrows need no text: they say who is joined
to whom. An arrow up is a switch, an arrow down an output; sequences that watch one another,
and parts that move one another, are joined by dashed arrows. Interlocks are listed in the legend.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import graphviz

from stillgate.controller.expressions.expression import Expression, Name, walk
from stillgate.controller.machine_file.machine import (
    Automaton,
    Exit,
    Flow,
    Machine,
    Override,
    Part,
    Sequence,
    Spin,
    Travel,
)

from ..diagram import (
    EDGE_ATTRIBUTES,
    GRAPH_ATTRIBUTES,
    LIGHT,
    NODE_ATTRIBUTES,
    PALE,
    Diagram,
    bold,
    condition_rows,
    escaped,
    folded,
    interlock_rows,
    legend_label,
    plain,
    plain_marks,
    small,
    stacked,
)

OPERATOR = "operator"
OUTSIDE = "outside"
INDICATORS = "indicators"
SIGNAL_FLOW = "signal-flow"
"""Name of the picture; a sequence cannot have it, since names of a machine file hold no hyphen."""


@dataclass(frozen=True, slots=True)
class Arrow:
    """Two boxes that are joined; ``source`` stands above ``target`` unless they are alike."""

    source: str
    target: str
    upward: bool = False  # a switch: the lower box tells the upper one
    both: bool = False
    watching: bool = False  # a state, memory or place that is looked at, not a wire


def machine_diagram(machine: Machine, *, explained: bool = True) -> Diagram:
    """The signal flow of a machine.

    Args:
        explained: with a legend in the picture; else ``marks`` tells it.
    """
    title = f"{plain(machine.title) or machine.machine}: signal flow"
    arrows = arrows_of(machine)
    boxes = _boxes(machine, arrows)
    heading = [f'<font point-size="14">{bold(title)}</font>']
    heading += [small(line) for line in folded(plain(machine.note))]
    outputs = list(machine.outputs)
    rows = [
        *_marks(machine, arrows), *interlock_rows(machine, outputs), *condition_rows(machine, (), outputs)
    ]  # fmt: skip
    graph = graphviz.Digraph(
        graph_attr={
            **GRAPH_ATTRIBUTES,
            "labelloc": "b",
            "labeljust": "l",
            "ranksep": "0.9",
            "label": legend_label(rows, len(machine.sequences)) if explained else "",
        },
        node_attr=NODE_ATTRIBUTES,
        edge_attr=EDGE_ATTRIBUTES,
    )
    with graph.subgraph(name="cluster_machine") as frame:
        frame.attr(label=f"<{stacked(heading)}>", labelloc="t", labeljust="l", color="white", margin="16")
        for row in _rows(list(boxes)):
            with frame.subgraph() as rank:
                rank.attr(rank="same")
                for name in row:
                    label, style = boxes[name]
                    rank.node(name, label=f"<{label}>", **style)
        for arrow in arrows:
            frame.edge(arrow.source, arrow.target, **_arrow_style(arrow))
    name = f"{machine.machine}.{SIGNAL_FLOW}"
    return Diagram(name, title, graph.source, nodes=len(boxes), edges=len(arrows), marks=plain_marks(rows))


def _rows(names: list[str]) -> list[list[str]]:
    """Boxes by row: who speaks to the controller, sequences, what is moved."""
    outside = [name for name in names if name in (OPERATOR, OUTSIDE)]
    sequences = [name for name in names if name.startswith("sequence ")]
    moved = [name for name in names if name.startswith("part ") or name == INDICATORS]
    return [row for row in (outside, sequences, moved) if row]


def _arrow_style(arrow: Arrow) -> dict[str, str]:
    """Only arrows downward shape the rows."""
    return {
        **({"dir": "both"} if arrow.both else {}),
        **({"dir": "back"} if arrow.upward else {}),
        # grey as well as dashed: where two of them run together they must not look like a wire
        **({"style": "dashed", "color": LIGHT, "constraint": "false"} if arrow.watching else {}),
    }


def arrows_of(machine: Machine) -> list[Arrow]:
    """Every arrow of the signal flow: boxes that are joined, in the order of the file."""
    wires: dict[tuple[str, str], None] = {}
    watches: dict[tuple[str, str], None] = {}
    for name in machine.sequences:
        for path in _read_by(machine, name):
            first = path.partition(".")[0]
            for source in _sources(machine, first):
                wires[source, _sequence(name)] = None
        for other in watched_by(machine, name):
            watches[_sequence(other), _sequence(name)] = None
        for output in asked_by(machine, name):
            for target in _driven_parts(machine, output) or [INDICATORS]:
                wires[_sequence(name), target] = None
    for name, part in machine.parts.items():
        for path in _paths(drive_conditions(part)):
            first = path.partition(".")[0]
            if first in machine.parts:
                watches[_part(first), _part(name)] = None
    found: list[Arrow] = []
    seen: set[tuple[str, str]] = set()
    for source, target in wires:
        up = source.startswith("part ")
        if up and (target, source) in wires:
            continue  # drawn once, with two heads, as the arrow down
        both = (target, source) in wires
        found.append(Arrow(*((target, source) if up else (source, target)), upward=up, both=both))
    for source, target in watches:
        if source == target or (target, source) in seen:
            continue  # its own state is no arrow; what watches back has been drawn with two heads
        seen.add((source, target))
        found.append(Arrow(source, target, both=(target, source) in watches, watching=True))
    return found


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


def _read_by(machine: Machine, name: str) -> list[str]:
    """Names a sequence reads: in conditions, in what it writes, in interlocks on its outputs."""
    sequence = machine.sequences[name]
    ways = _ways(sequence)
    trees = [way.when.tree for way in ways if way.when is not None]
    trees += [value.tree for way in ways for value in way.do.values()]
    asked = asked_by(machine, name)
    trees += [item.unless.tree for item in machine.interlocks if item.hold_off in asked]
    return _paths(trees)


def _ways(sequence: Sequence) -> list[Exit | Override]:
    return [*sequence.overrides, *(way for state in sequence.states.values() for way in state.exits)]


def asked_by(machine: Machine, name: str) -> list[str]:
    """Outputs a sequence asks for, each once."""
    states = machine.sequences[name].states.values()
    return list(dict.fromkeys(output for state in states for output in state.on))


def _paths(trees: Iterable[Expression]) -> list[str]:
    """Names read by conditions, each once, in order."""
    return list(dict.fromkeys(node.path for tree in trees for node in walk(tree) if isinstance(node, Name)))


def _sources(machine: Machine, signal: str) -> list[str]:
    if signal not in machine.inputs:
        return []
    parts = [_part(name) for name, part in machine.parts.items() if signal in part.senses]
    return parts or [OPERATOR if machine.inputs[signal].source == "operator" else OUTSIDE]


def watched_by(machine: Machine, name: str) -> list[str]:
    """Sequences whose states or memory a sequence reads, itself or by interlocks on its outputs."""
    read = (path.partition(".")[0] for path in _read_by(machine, name))
    owners = dict.fromkeys(owner for first in read for owner in _owners(machine, first))
    return [owner for owner in owners if owner != name]


def _owners(machine: Machine, name: str) -> list[str]:
    """Sequences whose state or memory a name is."""
    if name in machine.sequences:
        return [name]
    if name not in machine.memory:
        return []
    return [
        writer
        for writer, sequence in machine.sequences.items()
        if any(name in (*way.do, *way.set, *way.clear) for way in _ways(sequence))
    ]


def driven_parts(machine: Machine, output: str) -> list[str]:
    """Parts that an output moves."""
    return [name for name, part in machine.parts.items() if output in _paths(drive_conditions(part))]


def _driven_parts(machine: Machine, output: str) -> list[str]:
    return [_part(name) for name in driven_parts(machine, output)]


def _sequence(name: str) -> str:
    return f"sequence {name}"


def _part(name: str) -> str:
    return f"part {name}"


def _boxes(machine: Machine, arrows: list[Arrow]) -> dict[str, tuple[str, dict[str, str]]]:
    """Label and style of each box that stands in the picture."""
    used = {end for arrow in arrows for end in (arrow.source, arrow.target)}
    boxes: dict[str, tuple[str, dict[str, str]]] = {}
    for name, heading in ((OPERATOR, "operator"), (OUTSIDE, "surroundings")):
        if name in used:
            signals = [signal for signal in machine.inputs if _sources(machine, signal) == [name]]
            boxes[name] = (_table(heading, [signals]), {"style": "rounded"})
    for name, sequence in machine.sequences.items():
        asked = [f"{output}{'*' if _held(machine, output) else ''}" for output in asked_by(machine, name)]
        boxes[_sequence(name)] = (_table(f"sequence {name}", [list(sequence.states), asked]), {})
    for name, part in machine.parts.items():
        driven = [path for path in _paths(drive_conditions(part)) if path in machine.outputs]
        label = _table(f"{name} ({part.kind})", [driven, list(part.senses)])
        boxes[_part(name)] = (label, {"style": "rounded,filled", "fillcolor": PALE})
    if INDICATORS in used:
        signals = [output for output in machine.outputs if not _driven_parts(machine, output)]
        boxes[INDICATORS] = (_table("other outputs", [signals]), {"style": "rounded"})
    return boxes


def _held(machine: Machine, output: str) -> bool:
    return any(item.hold_off == output for item in machine.interlocks)


def _table(heading: str, compartments: list[list[str]]) -> str:
    rows = "".join(
        f'<hr/><tr><td align="left">{stacked(map(escaped, names))}</td></tr>'
        for names in compartments
        if names
    )
    return (
        '<table border="0" cellborder="0" cellspacing="0" cellpadding="2">'
        f'<tr><td align="center">{bold(heading)}</td></tr>{rows}</table>'
    )


def _marks(machine: Machine, arrows: list[Arrow]) -> list[tuple[str, str]]:
    ends = {end for arrow in arrows for end in (arrow.source, arrow.target)}
    rows = [("white box", "a sequence of the controller: its states, then the outputs it asks for")]
    if machine.parts:
        rows.append(("grey box", "a physical part: the outputs that move it, then its switches"))
    if OPERATOR in ends or OUTSIDE in ends:
        rows.append(("round corners, above", "who moves the inputs that no part moves, and these inputs"))
    if INDICATORS in ends:
        rows.append(("other outputs", "outputs that move no part of the model"))
    rows.append(("arrow down", "an output to what it moves, or an input of operator or surroundings"))
    if machine.parts:
        both = any(arrow.both and not arrow.watching for arrow in arrows)
        rows.append(("arrow up", f"a switch of a part{'; two heads: outputs down, switches up' * both}"))
    rows.append(("to a sequence", "what its conditions read, and the interlocks on its outputs"))
    watching = [arrow for arrow in arrows if arrow.watching]
    if watching:
        each = "; two heads: each at the other" * any(arrow.both for arrow in watching)
        rows.append(("dashed, grey", f"looks at a state, a memory or the place of another part{each}"))
    return rows
