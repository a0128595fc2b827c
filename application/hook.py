"""``python -m stillgate.hook``: checks the machine files among the files given, for commit hooks.

A commit hook hands over every changed YAML file; those without a ``machine:`` key at the left
margin are passed over. Options go to ``stillgate check``. The exit status is that of the worst
check: a bad file or a fault of the program first, then broken, then undecided.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from pathlib import Path

from stillgate.controller.plain_files import is_endless

from .cli import run_command
from .console.terminal import write_line

MACHINE = re.compile(rb"^machine\s*:", re.MULTILINE)
WORST_FIRST = (130, 3, 2, 1, 4, 0)


def check_files(arguments: Sequence[str]) -> int:
    """Checks each machine file and returns the worst status.

    Args:
        arguments: options of check first (with their values joined by '='), then files.
    """
    options = [item for item in arguments if item.startswith("-")]
    files = [item for item in arguments if not item.startswith("-")]
    statuses = [run_command(["check", file, *options]) for file in files if _is_machine(Path(file))]
    if not statuses:
        write_line("no machine file among the files given", sys.stderr)
    return min(statuses, key=WORST_FIRST.index, default=0)


def _is_machine(path: Path) -> bool:
    if is_endless(path):
        return True
    try:
        return MACHINE.search(path.read_bytes()) is not None
    except OSError:
        return True  # let check say what is wrong with it


if __name__ == "__main__":
    sys.exit(check_files(sys.argv[1:]))
