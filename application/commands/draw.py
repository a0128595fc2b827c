"""``stillgate draw``: state diagrams, the whole machine, timing charts of stories and of runs."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Group, Parameter

from ..console.terminal import write_line
from ..files.whole_files import refuse_bad_folder, write_whole
from .options import OUTPUT, Format, MachineFile, duration_option, load_document

if TYPE_CHECKING:
    from stillgate.controller.machine_file.machine import Machine
    from stillgate.controller.reading.reader import MachineDocument
    from stillgate.diagrams.diagram import Diagram
    from stillgate.diagrams.graphs.overlay import Overlay
    from stillgate.diagrams.graphs.renderer import Renderer

Kind = Literal["both", "svg", "png", "pdf", "dot"]

OVERLAYS = Group("Show besides")


def draw(
    machine: MachineFile,
    /,
    *,
    output: Annotated[Path, OUTPUT] = Path("out"),
    picture: Kind = "both",
    only: Annotated[list[str] | None, Parameter(negative="")] = None,
    never_reached: Annotated[bool, Parameter(group=OVERLAYS, negative="")] = False,
    story: Annotated[str | None, Parameter(group=OVERLAYS)] = None,
    run: Annotated[Path | None, Parameter(group=OVERLAYS)] = None,
    duration: Annotated[str, Parameter(name="--for", group=OVERLAYS)] = "10 s",
    seed: Annotated[int, Parameter(group=OVERLAYS)] = 0,
    form: Format = "text",
) -> int:
    """Draw every sequence, all sequences in one picture, and the signal flow of the machine.

    Pictures are black on white. A picture that would lack a state or an exit
    is an error, and nothing is written.

    Parameters
    ----------
    output
        Folder for the pictures; made if it is not there.
    picture
        Kind of file: svg, png, both, pdf, or dot, the text that diagrams are drawn from. PDF is
        printed by Chromium or Chrome; timing charts are SVG unless PDF is asked for.
    only
        A sequence to draw, or whole-machine, or signal-flow; may be repeated. Left out: all.
    never_reached
        Mark states and exits that no situation reaches without faults; runs a check.
    story
        A requirement that breaks: number its way through the states, and draw its timing chart;
        runs a check.
    run
        A script of inputs: write the time spent in each state, and draw the timing chart of the run.
    duration
        How long to simulate the script.
    seed
        Number that decides what the parts leave open in that run.
    form
        How the list of written files is printed; json for a program (stillgate schema --of draw).
    """
    from stillgate.controller.errors import UsageError
    from stillgate.diagrams.graphs.overview import WHOLE_MACHINE
    from stillgate.diagrams.graphs.renderer import find_renderer
    from stillgate.diagrams.graphs.signal_flow import SIGNAL_FLOW

    document = load_document(machine)
    if sum((never_reached, story is not None, run is not None)) > 1:
        raise UsageError("--never-reached, --story and --run: choose one, a picture shows one thing")
    refuse_bad_folder("--output", output)
    names = _chosen(only or [], [*document.machine.sequences, WHOLE_MACHINE, SIGNAL_FLOW])
    shown = _shown(
        document, never_reached=never_reached, story=story, script=run, duration=duration, seed=seed
    )
    if picture == "dot" and shown.chart:
        raise UsageError("--picture dot: a timing chart is not drawn from DOT text; ask for svg or pdf")
    diagrams = [_diagram(document.machine, name, shown) for name in names]
    renderer = None if picture == "dot" else find_renderer()
    drawn = list(_drawn(diagrams, picture, renderer, output))
    drawn += _charted(shown, picture, output)
    output.mkdir(parents=True, exist_ok=True)
    for target, content in drawn:
        write_whole(target, content)
    version = renderer.version if renderer is not None else ""
    if form == "json":
        files = [str(target) for target, _ in drawn]
        write_line(
            json.dumps({"machine": document.machine.machine, "renderer": version, "files": files}, indent=2)
        )
    else:
        for target, _ in drawn:
            write_line(str(target))
        if version:
            write_line(f"drawn by {version}")
    return 0


@dataclass(frozen=True)
class _Shown:
    """What is shown besides the states: an overlay for each sequence, perhaps a timing chart."""

    overlay: Callable[[str], Overlay]
    chart: str = ""  # SVG
    name: str = ""


def _shown(
    document: MachineDocument,
    *,
    never_reached: bool,
    story: str | None,
    script: Path | None,
    duration: str,
    seed: int,
) -> _Shown:
    from stillgate.diagrams.graphs.overlay import NOTHING

    if never_reached:
        return _coverage(document)
    if story is not None:
        return _story(document, story)
    if script is not None:
        return _run(document.machine, script, duration, seed)
    return _Shown(lambda sequence: NOTHING)


def _coverage(document: MachineDocument) -> _Shown:
    """Marks what a check without faults never reached."""
    from stillgate.controller.errors import CapReached
    from stillgate.diagrams.graphs.overlay import coverage_overlay
    from stillgate.interlocks.checking.checker import check

    result = check(document, faults=0)
    if not all(item.whole for item in result.exploration):
        raise CapReached("the check was cut short, so what is never reached is not known")
    return _Shown(lambda sequence: coverage_overlay(result.findings, sequence))


def _story(document: MachineDocument, name: str) -> _Shown:
    """Numbers the way of a break through the states."""
    from stillgate.controller.errors import UsageError
    from stillgate.controller.rules.namespace import nearest_hint
    from stillgate.diagrams.charts.chart_svg import svg_of
    from stillgate.diagrams.graphs.overlay import path_overlay
    from stillgate.interlocks.checking.checker import check
    from stillgate.interlocks.results.recording import recording_of_story

    from ..reports.evidence_report.verdicts import story_chart

    machine = document.machine
    if name not in machine.requirements:
        hint = nearest_hint(name, machine.requirements)
        raise UsageError(f"--story: there is no requirement '{name}'{f'; {hint}' if hint else ''}")
    result = check(document)
    found = next(item for item in result.requirements if item.name == name)
    if found.story is None:
        raise UsageError(f"--story: {name} has no story to draw; its verdict is '{found.verdict.value}'")
    recording = recording_of_story(machine, found.story, result.tick)
    chart = story_chart(machine, found.story, result, name)
    return _Shown(
        lambda sequence: path_overlay(recording, chart, sequence, f"the way to the break of {name}"),
        svg_of(chart),
        f"{machine.machine}.{name}.chart",
    )


def _run(machine: Machine, script: Path, duration: str, seed: int) -> _Shown:
    """Writes the time that a simulated run spent in each state."""
    from stillgate.diagrams.charts.chart import chart_of
    from stillgate.diagrams.charts.chart_svg import svg_of
    from stillgate.diagrams.graphs.overlay import time_overlay
    from stillgate.interlocks.results.recording import recording_of_frames
    from stillgate.sim_io.simulation.script import play
    from stillgate.sim_io.simulation.simulation import Simulation

    from .run import read_events

    events = read_events(machine, [], script)
    frames = list(play(Simulation(machine, seed=seed), events, duration_option("--for", duration) or 0))
    recording = recording_of_frames(machine, frames)
    what = f"a run of {duration} under {script.name}, seed {seed}"
    title = f"{machine.title or machine.machine}: {what}"
    return _Shown(
        lambda sequence: time_overlay(recording, sequence, what),
        svg_of(chart_of(recording, name="run", title=title)),
        f"{machine.machine}.{script.stem}.chart",
    )


def _diagram(machine: Machine, name: str, shown: _Shown) -> Diagram:
    from stillgate.diagrams.graphs.overview import WHOLE_MACHINE, whole_machine_diagram
    from stillgate.diagrams.graphs.signal_flow import SIGNAL_FLOW, machine_diagram
    from stillgate.diagrams.graphs.state_graph import state_diagram

    if name == SIGNAL_FLOW:
        return machine_diagram(machine)
    if name == WHOLE_MACHINE:
        return whole_machine_diagram(machine, shown.overlay)
    return state_diagram(machine, name, shown.overlay(name))


def _drawn(
    diagrams: list[Diagram], picture: Kind, renderer: Renderer | None, to: Path
) -> Iterator[tuple[Path, bytes]]:
    from stillgate.diagrams.graphs.renderer import Picture
    from stillgate.diagrams.pages.pdf import print_drawing

    kinds = ("svg", "png") if picture == "both" else (picture,)
    for diagram in diagrams:
        for kind in kinds:
            target = to / f"{diagram.name}.{kind}"
            if renderer is None:
                yield target, diagram.source.encode()
            elif kind == "pdf":
                yield target, print_drawing(renderer.draw(diagram, Picture.SVG))
            else:
                yield target, renderer.draw(diagram, Picture(kind))


def _charted(shown: _Shown, picture: Kind, to: Path) -> Iterator[tuple[Path, bytes]]:
    if not shown.chart:
        return
    if picture == "pdf":
        from stillgate.diagrams.pages.pdf import print_drawing

        yield to / f"{shown.name}.pdf", print_drawing(shown.chart.encode())
    else:
        yield to / f"{shown.name}.svg", shown.chart.encode()


def _chosen(only: list[str], known: list[str]) -> list[str]:
    from stillgate.controller.errors import UsageError

    for name in only:
        if name not in known:
            raise UsageError(f"--only: there is no picture '{name}'; there are {', '.join(known)}")
    return [name for name in known if not only or name in only]
