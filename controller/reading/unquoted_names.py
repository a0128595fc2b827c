"""Names that other programs read as a truth, where no quotes stand around them.

A machine file is YAML 1.2, in which ``on`` is a word. Programs that read YAML 1.1 take it for true, so a
state named ``on`` has another name there. Quotes make it a word everywhere: whoever writes them has seen to
it, and is told nothing more.
"""

from __future__ import annotations

from collections.abc import Iterator

from ..errors import Problem, Severity
from ..machine_file.machine import Machine
from ..rules.rules import named_paths
from .positions import Positions

READ_AS_TRUE = ("y", "yes", "on")
READ_AS_FALSE = ("n", "no", "off")
"""Source: YAML 1.1, Language-Independent Types: bool."""

MOST_NAMED = 6


def truth_like_names(machine: Machine, positions: Positions) -> Iterator[Problem]:
    """One warning for the whole file, at the first of the names."""
    first: tuple[str | int, ...] = ()
    values: dict[str, str] = {}
    for path in named_paths(machine):
        name = str(path[-1])
        if name.lower() not in (*READ_AS_TRUE, *READ_AS_FALSE):
            continue
        key = positions.find(path).key
        if key is None or key.style is not None:
            continue
        first = first or path
        values.setdefault(name, "'true'" if name.lower() in READ_AS_TRUE else "'false'")
    if not values:
        return
    told = [f"'{name}' for {value}" for name, value in values.items()][:MOST_NAMED]
    more = f", and {len(values) - MOST_NAMED} more so" if len(values) > MOST_NAMED else ""
    yield positions.problem(
        first, f"other programs that read YAML take {', '.join(told)}{more}; "
        f"quotes around the name where it is defined, \"{first[-1]}\", say that it is meant",
        severity=Severity.WARNING, at_key=True,
    )  # fmt: skip
