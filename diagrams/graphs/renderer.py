"""Draws DOT text: by the static binary of ``graphviz-pure``, else by an installed ``dot``.

Both understand the same command line, so one class serves them. A drawing is complete or an
error: the exit status, a line with 'Error:', a missing box or a missing arrow all fail.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sysconfig
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from stillgate.controller.errors import ProgramFault, ToolMissing
from stillgate.controller.expressions.durations import format_duration

from ..diagram import Diagram

LONGEST_DRAWING = 120
"""Seconds after which a layout is given up."""


class Picture(Enum):
    """Formats of a drawing, by file extension."""

    SVG = "svg"
    PNG = "png"


_SIGNATURE = {Picture.SVG: b"<?xml", Picture.PNG: b"\x89PNG\r\n\x1a\n"}
_OPTIONS = {Picture.SVG: ("-Tsvg",), Picture.PNG: ("-Tpng", "-Gdpi=144")}


@dataclass(frozen=True, slots=True)
class Renderer:
    """A program that lays out DOT text."""

    command: Path
    version: str

    def draw(self, diagram: Diagram, picture: Picture) -> bytes:
        """The finished picture.

        Raises:
            ProgramFault: if the layout fails or the drawing lacks a box or an arrow.
        """
        vector = self._run(diagram, Picture.SVG)
        self._count(diagram, vector)
        return vector if picture is Picture.SVG else self._run(diagram, picture)

    def _run(self, diagram: Diagram, picture: Picture) -> bytes:
        command = [str(self.command), *_OPTIONS[picture], "-Gnewrank=true"]
        try:
            done = subprocess.run(
                command,
                input=diagram.source.encode(),
                capture_output=True,
                timeout=LONGEST_DRAWING,
                check=False,
            )
        except subprocess.TimeoutExpired:
            raise ProgramFault(
                f"{diagram.name}: no drawing after {format_duration(1000 * LONGEST_DRAWING)}"
            ) from None
        said = done.stderr.decode(errors="replace").strip()
        if done.returncode != 0 or "Error:" in said or not done.stdout.startswith(_SIGNATURE[picture]):
            first = said.splitlines()[0] if said else f"exit status {done.returncode}"
            raise ProgramFault(f"{diagram.name} could not be drawn by {self.version}: {first}")
        return done.stdout

    def _count(self, diagram: Diagram, vector: bytes) -> None:
        for what, expected in (("node", diagram.nodes), ("edge", diagram.edges)):
            found = len(re.findall(rb'<g id="[^"]*" class="%s"' % what.encode(), vector))
            if found != expected:
                raise ProgramFault(
                    f"{diagram.name}: the drawing has {found} {what}s where the machine has {expected}"
                )


def find_renderer() -> Renderer:
    """The renderer to use.

    Raises:
        ToolMissing: if there is none, saying how to get one.
    """
    for path in _candidates():
        try:
            done = subprocess.run([str(path), "-V"], capture_output=True, timeout=20, check=False)
        except (OSError, subprocess.TimeoutExpired):
            continue
        said = (done.stdout + done.stderr).decode(errors="replace").strip()
        if done.returncode == 0 and said:
            return Renderer(path, said.splitlines()[0].partition(" - ")[2] or said.splitlines()[0])
    raise ToolMissing("nothing found to draw with: run  pip install graphviz-pure  or install Graphviz")


def _candidates() -> list[Path]:
    """Where a renderer may be: beside the running Python first, then on the path."""
    beside = Path(sysconfig.get_path("scripts"))
    found = [
        shutil.which("graphviz-pure", path=str(beside)),
        shutil.which("graphviz-pure"),
        shutil.which("dot"),
    ]
    return [Path(item) for item in found if item is not None]
