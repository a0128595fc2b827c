"""``stillgate new``: writes a commented starter file that checks clean."""

from __future__ import annotations

from pathlib import Path

from ..console.terminal import write_line
from ..files.machine_names import machine_name
from ..files.starter import STARTER, STARTER_NAME
from ..files.whole_files import write_new


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


def starter_text(name: str) -> str:
    """The starter file for a machine of that name."""
    return STARTER.replace(f"machine: {STARTER_NAME}\n", f"machine: {name}\n", 1)
