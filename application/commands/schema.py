"""``stillgate schema``: the JSON Schema of each file that is written by hand and of each JSON output."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Literal

from ..console.terminal import write_line
from .options import OUTPUT


def schema(
    *,
    of: Literal[
        "machine",
        "scenario",
        "column-map",
        "certificate",
        "check",
        "run",
        "scenario-result",
        "faults",
        "soak",
        "explain",
        "log",
        "replay",
        "diagnose",
        "fault-table",
        "layers",
        "strength",
        "compare",
        "confirm",
        "recheck",
        "draw",
        "doctor",
    ] = "machine",
    output: Annotated[Path | None, OUTPUT] = None,
) -> int:
    """Print a JSON Schema: of a file written by hand, a certificate, or a command's JSON output.

    With the schema of a file (machine, scenario, column-map) an editor completes
    keys and shows what each one means.

    Parameters
    ----------
    of
        What to describe.
    output
        File to write it to, instead of printing it.
    """
    from ..reports.published_schemas import schema_of

    text = json.dumps(schema_of(of), indent=2) + "\n"
    if output is None:
        write_line(text)
        return 0
    from ..files.whole_files import write_whole

    write_whole(output, text.encode())
    write_line(f"written to {output}")
    return 0
