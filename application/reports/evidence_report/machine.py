"""Sections of the evidence report about the machine: signal flow, sequences, inputs and outputs."""

from __future__ import annotations

from collections.abc import Callable

from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.cause_and_effect import effects_of
from stillgate.diagrams.diagram import Diagram, plain
from stillgate.diagrams.graphs.overlay import Overlay, coverage_overlay
from stillgate.diagrams.graphs.overview import whole_machine_diagram
from stillgate.diagrams.graphs.renderer import Picture, Renderer
from stillgate.diagrams.graphs.signal_flow import machine_diagram
from stillgate.diagrams.graphs.state_graph import state_diagram
from stillgate.diagrams.matrices.signal_matrices import (
    cause_and_effect,
    condition_list,
    exit_table,
    input_list,
    interlock_matrix,
    output_list,
    sequence_list,
)
from stillgate.diagrams.matrices.table import Table
from stillgate.diagrams.pages.report_page import Block, Figure, Part, Prose, Section, TableBlock, inline_svg
from stillgate.interlocks.results.verdict import CheckResult


def machine_section(machine: Machine, result: CheckResult, renderer: Renderer) -> Section:
    """What the machine is: its note, who tells whom what, all sequences on one page."""
    # Wide pictures: with their legends in them, both would be too small on paper.
    signals = machine_diagram(machine, explained=False)
    sequences = whole_machine_diagram(machine, _never_reached(result), explained=False)
    flow = (
        f"Signal flow: {len(machine.inputs)} inputs, {len(machine.sequences)} sequences, "
        f"{len(machine.outputs)} outputs, {len(machine.parts)} parts. The tables below say the same."
    )
    states = sum(len(sequence.states) for sequence in machine.sequences.values())
    whole = (
        f"All sequences side by side: {len(machine.sequences)} sequences with {states} states. "
        "The section on sequences says the same, with every condition."
    )
    note: tuple[Block, ...] = (Prose((plain(machine.note),)),) if machine.note else ()
    return Section(
        "machine",
        "The machine",
        (
            *note,
            _figure(renderer, signals, "signal-flow", "Signal flow of the machine", flow),
            _marks(signals, "signal_flow", "Marks of the signal flow"),
            _figure(renderer, sequences, "whole-machine", "All sequences", whole),
            _marks(sequences, "all_sequences", "Marks of the picture of all sequences"),
        ),
    )


def _marks(diagram: Diagram, name: str, title: str) -> TableBlock:
    """The legend of a picture."""
    return TableBlock(Table(f"marks_{name}", title, ("mark", "meaning"), diagram.marks))


def _never_reached(result: CheckResult) -> Callable[[str], Overlay]:
    """What an exhausted search never reached, for each sequence."""
    exhausted = any(item.whole for item in result.exploration if not item.faults)
    findings = result.findings if exhausted else ()
    return lambda sequence: coverage_overlay(findings, sequence)


def _figure(renderer: Renderer, diagram: Diagram, name: str, caption: str, said: str) -> Figure:
    drawing = renderer.draw(diagram, Picture.SVG)
    return Figure(name, inline_svg(drawing, name, said), caption, said)


def sequences_section(machine: Machine, result: CheckResult, renderer: Renderer) -> Section:
    """Every sequence as a diagram and as a table; what an exhausted search never reached is marked."""
    overlay = _never_reached(result)
    parts: list[Part] = []
    for name, sequence in machine.sequences.items():
        diagram = state_diagram(machine, name, overlay(name))
        said = f"State diagram of {name}: {len(sequence.states)} states. The table below says the same."
        figure = _figure(renderer, diagram, f"sequence-{name}", f"State diagram of the sequence {name}", said)
        parts.append(
            Part(f"sequence-{name}", f"Sequence {name}", (figure, TableBlock(exit_table(machine, name))))
        )
    intro = Prose(
        (
            "The sequences run side by side. In every scan each looks at its overrides, then at the exits "
            "of its active state, in order; all read the values at the scan's start; the first that is true "
            "is taken.",
        )
    )
    return Section("sequences", "Sequences", (intro, TableBlock(sequence_list(machine))), tuple(parts))


def signals_section(machine: Machine) -> Section:
    """Named conditions, cause and effect, interlocks, inputs and outputs."""
    effects = effects_of(machine)
    tables = [
        condition_list(machine),
        cause_and_effect(machine, effects),
        interlock_matrix(machine),
        input_list(machine, effects),
        output_list(machine),
    ]
    return Section(
        "signals",
        "Signals and interlocks",
        (),
        tuple(
            Part(f"part-{table.name}", table.title, (TableBlock(table),)) for table in tables if table.rows
        ),
    )
