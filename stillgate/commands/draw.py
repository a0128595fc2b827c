"""``stillgate draw``: one state diagram a sequence, and the signal flow of the whole machine."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from ..files import write_whole
from ..terminal import write_line
from .options import Format, MachineFile, load_machine


def draw(
    machine: MachineFile,
    /,
    *,
    to: Path = Path("out"),
    picture: Literal["both", "svg", "png", "dot"] = "both",
    only: Annotated[list[str] | None, Parameter(negative="")] = None,
    form: Format = "text",
) -> int:
    """Draw the state diagram of every sequence and the signal flow of the machine.

    Pictures are black on white. A picture that would lack a state or an exit
    is an error, and nothing is written.

    Parameters
    ----------
    to
        Folder for the pictures; made if it is not there.
    picture
        Kind of file: svg, png, both, or dot, the text they are drawn from.
    only
        A sequence to draw, or signal_flow; may be repeated. Left out: all.
    form
        How the list of written files is printed.
    """
    from stillgate.diagrams.machine_diagram import SIGNAL_FLOW, machine_diagram
    from stillgate.diagrams.renderer import Picture, find_renderer
    from stillgate.diagrams.state_diagram import state_diagram

    model = load_machine(machine)
    names = _chosen(only or [], [*model.sequences, SIGNAL_FLOW])
    diagrams = [
        machine_diagram(model) if name == SIGNAL_FLOW else state_diagram(model, name) for name in names
    ]
    drawn: list[tuple[Path, bytes]] = []
    version = ""
    kinds = ("svg", "png") if picture == "both" else (picture,)
    if picture != "dot":
        renderer = find_renderer()
        version = renderer.version
    for diagram in diagrams:
        for kind in kinds:
            target = to / f"{diagram.name}.{kind}"
            content = diagram.source.encode() if kind == "dot" else renderer.draw(diagram, Picture(kind))
            drawn.append((target, content))
    to.mkdir(parents=True, exist_ok=True)
    for target, content in drawn:
        write_whole(target, content)
    if form == "json":
        files = [str(target) for target, _ in drawn]
        write_line(json.dumps({"machine": model.machine, "renderer": version, "files": files}, indent=2))
    else:
        for target, _ in drawn:
            write_line(str(target))
        if version:
            write_line(f"drawn by {version}")
    return 0


def _chosen(only: list[str], known: list[str]) -> list[str]:
    from stillgate.controller.errors import UsageError

    for name in only:
        if name not in known:
            raise UsageError(f"--only: there is no sequence '{name}'; there are {', '.join(known)}")
    return [name for name in known if not only or name in only]
