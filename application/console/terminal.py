"""Where text goes: rich consoles with one rule for width and colour.

Width is ``COLUMNS`` if set, else the terminal's, else 80. Colour only on a terminal and
never with ``NO_COLOR``; nothing in any output is said by colour alone.
"""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Any, TextIO

from stillgate.controller.visible_text import visible

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.segment import Segment
    from rich.text import Text

DEFAULT_WIDTH = 80
NARROWEST = 40
KEPT = "\n\N{NO-BREAK SPACE}"


def output_console() -> Console:
    """Console on standard output."""
    return _console(sys.stdout)


def message_console() -> Console:
    """Console on standard error, for progress and messages."""
    return _console(sys.stderr)


def printable(text: str) -> str:
    """A text of a user's file in which what could steer a terminal is shown and not done."""
    return visible(text.replace("\t", " "), KEPT)


def write_line(text: str, stream: TextIO | None = None) -> None:
    """Writes text without loading rich; what could steer a terminal is shown and not done."""
    target = stream or sys.stdout
    target.write(visible(text if text.endswith("\n") else text + "\n", KEPT + "\t"))


def forgive_encoding() -> None:
    """Lets a stream that cannot hold a character print '?' instead of failing."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")


def _console(stream: TextIO) -> Console:
    from rich.console import Console
    from rich.segment import Segment

    class OurConsole(Console):
        def render(
            self, renderable: RenderableType, options: ConsoleOptions | None = None
        ) -> Iterable[Segment]:
            """Whatever text it is, and whoever wrote it: what could steer a terminal is shown."""
            for segment in super().render(renderable, options):
                if segment.control or segment.text.isprintable():
                    yield segment
                else:
                    yield Segment(visible(segment.text, KEPT), segment.style)

        def render_str(self, text: str, **style: Any) -> Text:
            """So that what is measured, for a table, is what is printed."""
            return super().render_str(visible(text, KEPT), **style)

        def on_broken_pipe(self) -> None:
            """The reader has gone: for ``stillgate.cli`` to settle, as with what is written without rich."""
            raise BrokenPipeError

    return OurConsole(
        file=stream, width=_width(stream), highlight=False, markup=False, emoji=False, legacy_windows=False
    )


def _width(stream: TextIO) -> int:
    said = os.environ.get("COLUMNS", "")
    if said.isdecimal() and int(said) >= NARROWEST:
        return int(said)
    try:
        return (
            max(NARROWEST, os.get_terminal_size(stream.fileno()).columns)
            if stream.isatty()
            else DEFAULT_WIDTH
        )
    except (OSError, ValueError):
        return DEFAULT_WIDTH
