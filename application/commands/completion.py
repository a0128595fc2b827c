"""``stillgate completion``: lets the shell finish commands and options."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from ..console.terminal import write_line
from .options import OUTPUT


def completion(
    *,
    shell: Literal["bash", "zsh", "fish", "powershell"] | None = None,
    output: Annotated[Path | None, OUTPUT] = None,
    show: bool = False,
) -> int:
    """Install completion for your shell.

    Parameters
    ----------
    shell
        Which shell; left out, the one you are in.
    output
        File to write the completion script to, instead of the shell's usual place.
    show
        Print the script and install nothing.
    """
    from cyclopts.completion.detect import ShellDetectionError

    from stillgate.controller.errors import UsageError

    from ..cli import build_app

    app = build_app()
    try:
        if show:
            write_line(app.generate_completion(shell=shell))
            return 0
        path = app.install_completion(shell=shell, output=output, add_to_startup=output is None)
    except ShellDetectionError:
        raise UsageError("which shell this is could not be found out; say it with --shell bash") from None
    write_line(f"Completion is in {path}; it works in the next shell you open.")
    return 0
