"""The smallest machine that still shows a disagreement: pieces are left out as long as it stays."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Iterator
from typing import Any

from stillgate.controller.errors import MachineFileError

from .comparing import compared, file_text, judged, machine_of
from .judging import TooLarge

Found = dict[str, Any]


def shrunk(text: str, wanted: Callable[[list[str]], bool] = bool, tries: int = 250) -> tuple[str, list[str]]:
    """A machine file with as little in it as is found, and what differs there."""
    best: Found = json.loads(text)
    differences = differs(best)
    looked_at = 0
    again = True
    while again:
        again = False
        for smaller in _smaller(best):
            looked_at += 1
            if looked_at > tries:
                return file_text(best), differences
            found = differs(smaller)
            if found and wanted(found):
                best, differences, again = smaller, found, True
                break
    return file_text(best), differences


def differs(found: Found) -> list[str]:
    """What check and oracle say differently of a machine; nothing if it is none or too large."""
    text = file_text(found)
    try:
        machine, judgement = machine_of(found), judged(found)
    except (MachineFileError, TooLarge):
        return []
    return compared(text, machine, judgement).differences


def _smaller(found: Found) -> Iterator[Found]:
    """The same with one piece less, large pieces first."""
    for path in sorted(_paths(found), key=lambda path: (len(path), str(path))):
        smaller = copy.deepcopy(found)
        inner: Any = smaller
        for key in path[:-1]:
            inner = inner[key]
        del inner[path[-1]]
        yield smaller


def _paths(found: Any, above: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    for key, item in list(found.items() if isinstance(found, dict) else enumerate(found)):
        path = (*above, key)
        yield path
        if isinstance(item, dict | list):
            yield from _paths(item, path)
