"""How far z3 agrees with the exploration: on every shipped machine, and on every planted mistake."""

from __future__ import annotations

import time
from pathlib import Path

from stillgate.controller.effort import Effort
from stillgate.controller.reading.reader import read_machine
from stillgate.interlocks.analyses.cross_check import CrossCheck, cross_checked
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.results.verdict import Word

from .figures import Figure, at_least, at_most

_SECONDS = 600.0
"""All requirements of all shipped machines, for each fault budget."""


def measure(folder: Path) -> tuple[list[Figure], list[str]]:
    """The machines of a folder without faults and with one, and the planted mistakes below it."""
    figures: list[Figure] = []
    notes: list[str] = []
    for faults, words in ((0, "no fault"), (1, "one fault")):
        began = time.monotonic()
        results = [_judged(path, faults) for path in sorted(folder.glob("*.yaml"))]
        asked = [item for result in results for item in result.opinions if item.faults == faults]
        agreed = sum(item.agrees is True for item in asked)
        figures.append(at_least(f"z3 agrees, {words}, of {len(asked)}", agreed, len(asked), ""))
        figures.append(at_most(f"its time, {words}, check included", time.monotonic() - began, _SECONDS, "s"))
        notes += [
            f"{result.machine}, {words}: {item.name} {item.verdict.value} ({item.reason or 'contradiction'})"
            for result in results
            for item in result.opinions
            if item.faults == faults and item.agrees is not True
        ]
    planted = sorted((folder / "broken").glob("*.yaml"))
    refuted = [path.stem for path in planted if _refuted(path)]
    figures.append(at_least(f"refuted by both, of {len(planted)}", len(refuted), len(planted), ""))
    notes += [f"not refuted: {path.stem}" for path in planted if path.stem not in refuted]
    return figures, notes


def _judged(path: Path, faults: int) -> CrossCheck:
    document = read_machine(path)
    explored = check(document, faults=faults)
    return cross_checked(document, faults=faults, effort=Effort().within(_SECONDS), explored=explored)


def _refuted(path: Path) -> bool:
    """Whether the requirement on a file's first line is broken for both, with one fault at most."""
    head = path.read_text(encoding="utf-8").splitlines()[0]
    name = head.removeprefix("# broken:").partition("|")[0].strip()
    document = read_machine(path)
    for faults in (0, 1):
        explored = check(document, faults=faults)
        if not any(item.name == name and item.verdict is Word.BROKEN for item in explored.requirements):
            continue
        only = frozenset({name})
        found = cross_checked(
            document, faults=faults, effort=Effort().within(_SECONDS), explored=explored, only=only
        )
        return any(item.verdict is Word.BROKEN and item.agrees is True for item in found.opinions)
    return False
