"""State diagram of one sequence.

States are boxes that list the outputs they ask for; the start state has doubled sides
(the initial step of IEC 60848). Exits are arrows with their condition, numbered where a
state has several, because the lowest number that is true is taken. Overrides, which are looked at
first in every state, leave one dashed box instead of every state, so that the picture keeps
its shape. A legend explains the marks that the picture uses, and no others.
"""

from __future__ import annotations

from collections.abc import Iterator
from collections.abc import Sequence as Sequence_
from dataclasses import dataclass, field

import graphviz

from stillgate.controller.machine_file.machine import Exit, Machine, Override, Sequence, State

from ..diagram import (
    EDGE_ATTRIBUTES,
    GRAPH_ATTRIBUTES,
    NODE_ATTRIBUTES,
    PALE,
    Diagram,
    bold,
    condition_rows,
    edge_label,
    escaped,
    folded,
    hazard_rows,
    interlock_rows,
    legend_label,
    plain,
    small,
    stacked,
)
from ..wording import exit_words, trees_of
from .overlay import NOTHING, Overlay

ANYWHERE = "overrides"
ROOMY = 28
"""Characters of a note's line inside a state."""


def state_diagram(machine: Machine, sequence: str, overlay: Overlay = NOTHING) -> Diagram:
    """The state diagram of a sequence.

    Args:
        overlay: what is to be shown besides: never reached, a numbered path, time spent.

    Raises:
        KeyError: if the machine has no such sequence.
    """
    model = machine.sequences[sequence]
    title = f"{plain(machine.title) or machine.machine}: sequence {sequence}"
    graph = graphviz.Digraph(
        graph_attr={
            **GRAPH_ATTRIBUTES,
            "labelloc": "b",
            "labeljust": "l",
            "label": legend_label(state_marks(machine, [model], [overlay])),
        },
        node_attr=NODE_ATTRIBUTES,
        edge_attr=EDGE_ATTRIBUTES,
    )
    with graph.subgraph(name="cluster_sequence") as frame:
        frame.attr(
            label=f"<{_heading(title, model)}>", labelloc="t", labeljust="l", color="white", margin="16"
        )
        add_sequence(frame, machine, sequence, overlay)
    return Diagram(
        name=f"{machine.machine}.{sequence}",
        title=title,
        source=graph.source,
        nodes=count_nodes(model),
        edges=count_edges(model),
    )


def count_nodes(model: Sequence) -> int:
    """Boxes that a drawing of the sequence must hold."""
    return len(model.states) + bool(model.overrides)


def count_edges(model: Sequence) -> int:
    """Arrows that a drawing of the sequence must hold: one from a state to each state it leads to."""
    from_states = sum(len({way.to for way in state.exits}) for state in model.states.values())
    return from_states + len({override.to for override in model.overrides})


def add_sequence(
    graph: graphviz.Digraph, machine: Machine, name: str, overlay: Overlay = NOTHING, *, brief: bool = False
) -> None:
    """Adds the states, exits and overrides of a sequence to a drawing.

    Args:
        brief: exits bear their numbers only, and notes are left out.
    """
    model = machine.sequences[name]
    identity = {state: f"{name}.{number}" for number, state in enumerate(model.states)}
    for state, node in model.states.items():
        graph.node(
            identity[state],
            label=f"<{_state_label(machine, state, node, overlay, brief)}>",
            peripheries="2" if state == model.start else "1",
            **({"style": "filled", "fillcolor": PALE} if node.end else {}),
            **({"style": "dotted"} if state in overlay.never_reached else {}),
            **({"penwidth": "3"} if state == overlay.end else {}),
        )
    for state, node in model.states.items():
        for target, arrow in _arrows(state, node.exits, overlay, brief).items():
            graph.edge(identity[state], identity[target], label=edge_label(arrow.lines), **arrow.look)
    if model.overrides:
        source = f"{name}.{ANYWHERE}"
        graph.node(source, label=f"<{small('from every state, first')}>", style="dashed,rounded")
        for target, arrow in _arrows("", model.overrides, overlay, brief).items():
            look = {"style": "dashed", **arrow.look}
            graph.edge(source, identity[target], label=edge_label(arrow.lines), **look)


@dataclass
class _Arrow:
    """The one arrow from a state to another; exits to the same state share it."""

    lines: list[str] = field(default_factory=list)
    taken: bool = False
    dead: bool = True

    @property
    def look(self) -> dict[str, str]:
        if self.taken:
            return {"penwidth": "3"}
        return {"style": "dotted"} if self.dead else {}


def _arrows(state: str, ways: Sequence_[Exit | Override], overlay: Overlay, brief: bool) -> dict[str, _Arrow]:
    """Arrows by the state they lead to."""
    found: dict[str, _Arrow] = {}
    reached = state not in overlay.never_reached
    for number, way in enumerate(ways, start=1):
        arrow = found.setdefault(way.to, _Arrow())
        if not brief:
            arrow.lines += _numbered(exit_words(way), number, len(ways))
        elif arrow.lines and arrow.lines[-1][-1].isdigit():
            arrow.lines[-1] += f" {number}"
        elif len(ways) > 1:
            arrow.lines.append(str(number))
        never = (state, number) in overlay.never_taken
        steps = overlay.path.get((state, number), ())
        if never:
            arrow.lines.append("    (never taken)")
        if steps:
            arrow.lines.append(f"    [step {', '.join(map(str, steps))}]")
        arrow.taken |= bool(steps)
        arrow.dead &= never or not reached
    return found


def _numbered(lines: list[str], number: int, of: int) -> list[str]:
    if of == 1:
        return lines
    first, *rest = lines or [""]
    return [f"{number}: {first}", *(f"    {line}" for line in rest)]


def _heading(title: str, model: Sequence) -> str:
    lines = [f'<font point-size="14">{bold(title)}</font>']
    lines += [small(line) for line in folded(plain(model.note))]
    return stacked(lines)


def _state_label(machine: Machine, name: str, state: State, overlay: Overlay, brief: bool) -> str:
    lines = [bold(name)]
    if state.end:
        lines.append(small("end"))
    if name in overlay.never_reached:
        lines.append(small("never reached"))
    if name in overlay.spent:
        lines.append(escaped(overlay.spent[name]))
    if name == overlay.end:
        lines.append(small("here it ends"))
    rows = "".join(f'<tr><td align="center">{line}</td></tr>' for line in lines)
    if state.on:
        marked = [f"{escaped(output)}{_mark(machine, output)}" for output in state.on]
        rows += f'<hr/><tr><td align="left">{stacked(marked)}</td></tr>'
    if state.note and not brief:
        note = stacked(small(line) for line in folded(plain(state.note), ROOMY))
        rows += f'<tr><td align="left">{note}</td></tr>'
    return f'<table border="0" cellborder="0" cellspacing="0" cellpadding="2">{rows}</table>'


def _mark(machine: Machine, output: str) -> str:
    """Behind an output: whether an interlock holds it off, whether it belongs to a hazard."""
    held = any(item.hold_off == output for item in machine.interlocks)
    return ("*" if held else "") + (" !" if machine.outputs[output].hazard else "")


def state_marks(
    machine: Machine, models: Sequence_[Sequence], overlays: Sequence_[Overlay], *, brief: bool = False
) -> list[tuple[str, str]]:
    """The marks that a drawing of these sequences uses, as markup, and what they mean."""
    states = [state for model in models for state in model.states.values()]
    overrides = any(model.overrides for model in models)
    groups: list[Sequence_[Exit | Override]] = [state.exits for state in states]
    groups += [model.overrides for model in models]
    ways = [way for group in groups for way in group]
    words = " ".join(line for way in ways for line in exit_words(way)) if not brief else ""
    outputs = [output for state in states for output in state.on]
    named = condition_rows(machine, [] if brief else trees_of(ways), outputs)
    edges = words + " ".join(meaning for _, meaning in named)
    box = (
        '<table border="1" cellborder="1" cellspacing="2" cellpadding="1"><tr><td>  start  </td></tr></table>'
    )
    rows = [(box, "doubled sides: state at power-on (IEC 60848)")]
    if outputs:
        rows.append((small("below the line"), "outputs that the state asks for"))
    if any(len(group) > 1 for group in groups):
        rows.append(
            _NUMBERS if brief else ("1: 2:", "looked at in this order, the first that is true is taken")
        )
    if "↑" in edges or "↓" in edges:
        rows.append(("↑x  ↓x", "x has just gone on; x has just gone off (IEC 60848)"))
    if " in state" in words:
        rows.append(("8 s in state", "true from 8 s after the state was entered"))
    if "/ " in words:
        rows.append(("/ ...", "what the exit does to the controller's memory"))
    if overrides:
        rows.append(("dashed", "override: looked at before the exits, whatever state is active"))
    rows += dict.fromkeys(row for overlay in overlays for row in _overlay_rows(overlay))
    return [*rows, *hazard_rows(machine, outputs), *interlock_rows(machine, outputs), *named]


_NUMBERS = (
    "1 2",
    "the exits of a state in the order in which they are looked at; conditions stand at the same numbers "
    "in the picture of the sequence",
)


def _overlay_rows(overlay: Overlay) -> Iterator[tuple[str, str]]:
    if overlay.never_reached or overlay.never_taken:
        yield "dotted, (never ...)", "the check found no situation without faults that reaches or takes it"
    if overlay.path:
        yield "[step 3]", f"taken in this step, numbered as in the timing chart; thick: {overlay.explanation}"
    if overlay.end:
        yield "thick border", f"the state at the end of {overlay.explanation}"
    if overlay.spent:
        yield "1.2 s, 4 %", f"time in the state: {overlay.explanation}"
