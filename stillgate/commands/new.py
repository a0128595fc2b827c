"""``stillgate new``: writes a commented starter file that checks clean."""

from __future__ import annotations

import re
from pathlib import Path

from ..files import write_new
from ..starter import STARTER, STARTER_NAME
from ..terminal import write_line


def new(machine: Path, /) -> int:
    """Write a starter file with comments, to be changed into your machine.

    It checks clean as it is. A file that is already there is never overwritten.

    Parameters
    ----------
    machine
        File to write, such as press.yaml; the machine is named after it.
    """
    from stillgate.controller.errors import UsageError

    target = machine if machine.suffix in (".yaml", ".yml") else machine.with_name(machine.name + ".yaml")
    name = machine_name(target.stem.removesuffix(".machine"))
    try:
        write_new(target, starter_text(name).encode())
    except FileExistsError:
        raise UsageError(f"{target} is there already and was left as it is; choose another name") from None
    shown = f'"{target}"' if " " in str(target) else str(target)  # as both kinds of shell take it
    write_line(f"{target} written. Next: stillgate check {shown}")
    return 0


def machine_name(text: str) -> str:
    """A name that a machine file accepts, as near to the text as can be."""
    from stillgate.controller.errors import TextError
    from stillgate.controller.quantities import LONGEST_NAME, parse_name

    name = (
        re.sub(r"_+", "_", re.sub(r"[^A-Za-z0-9]", "_", text, flags=re.ASCII))
        .strip("_")
        .lstrip("0123456789_")
    )
    name = name[:LONGEST_NAME].rstrip("_") or STARTER_NAME
    try:
        return parse_name(name)
    except TextError:
        return f"{name[: LONGEST_NAME - 8]}_machine"


def starter_text(name: str) -> str:
    """The starter file for a machine of that name."""
    return STARTER.replace(f"machine: {STARTER_NAME}\n", f"machine: {name}\n", 1)
