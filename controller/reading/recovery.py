"""Makes a broken file whole enough to look for further errors.

What the models refused is replaced by something neutral, and the names it took with it are
noted as doubtful, so that the rules can be tried on the rest and say nothing about those
names. The result is thrown away afterwards: it is never run.
"""

from __future__ import annotations

from collections.abc import Iterable
from copy import deepcopy
from typing import Any

from pydantic import ValidationError

from ..machine_file.machine import Machine
from .messages import Refusal

NEUTRAL = {
    "when": True, "unless": True, "after": "1 s", "do": {}, "set": [], "clear": [], "note": "", "why": "",
    "on": [], "exits": [], "end": False, "overrides": [],
}  # fmt: skip
CONDITION_KEYS = frozenset(
    {"never", "always", "after", "then", "keep", "before", "first", "since", "reach", "from_anywhere"}
    | {"drive", "forward", "back", "while"}
)
TIME_KEYS = frozenset({"within", "for", "runs_up", "runs_down", "takes", "takes_back", "every", "lasts"})


class _TooBrokenError(Exception):
    """The file is broken where nothing neutral fits."""


def recover(data: Any, refusals: Iterable[Refusal]) -> tuple[Machine, set[str]] | None:
    """A machine without what was refused, and the doubtful names; None if little would be left."""
    data = deepcopy(data)
    doubtful: set[str] = set()
    try:
        for refusal in refusals:
            _neutralise(data, refusal, doubtful)
        return Machine.model_validate(data, by_name=False, by_alias=True), doubtful
    except (_TooBrokenError, ValidationError, KeyError, IndexError, TypeError, AttributeError, StopIteration):
        return None


def _neutralise(data: Any, refusal: Refusal, doubtful: set[str]) -> None:
    path = refusal.path
    if refusal.kind == "extra_forbidden":
        _parent(data, path).pop(path[-1], None)
        return
    if refusal.kind == "text" and refusal.at_key:
        doubtful.add(str(path[-1]))
        _parent(data, path).pop(path[-1], None)
        return
    match path:
        case ("inputs" | "outputs" | "memory" as section, str(name), *_):
            doubtful.add(name)
            data[section][name] = {}
        case ("parts" | "requirements" as section, str(name), *rest):
            _neutralise_entry(data[section], name, [*rest, refusal.key] if refusal.key else rest, doubtful)
        case ("conditions", str(name), *_):
            doubtful.add(name)
            data["conditions"][name] = True
        case ("hazards", str(name), *_):
            doubtful.add(name)
            data["hazards"].pop(name, None)
        case ("interlocks", int(number), *rest):
            item = data["interlocks"][number]
            if not isinstance(item, dict):
                raise _TooBrokenError
            if rest and rest[0] in NEUTRAL:
                item[rest[0]] = NEUTRAL[str(rest[0])]
            else:
                _fill(item, {"hold_off": next(iter(data["outputs"])), "unless": True})
        case ("sequences", str(name), *rest):
            _neutralise_sequence(data["sequences"], name, rest, doubtful)
        case ("check", *_):
            data["check"] = {}
        case ("machine" | "title" | "note" | "scan" as key, *_):
            data[key] = {"machine": "unnamed", "scan": "1 ms"}.get(key, "")
        case ():
            _fill(data, {"machine": "unnamed", "scan": "1 ms"})
            if "sequences" not in data:
                raise _TooBrokenError
        case _:
            raise _TooBrokenError


def _neutralise_entry(entries: Any, name: str, rest: list[Any], doubtful: set[str]) -> None:
    """A part or a requirement: keeps it if what is wrong is one condition or time."""
    match rest:
        case [key] if key in CONDITION_KEYS:
            entries[name][key] = True
        case [key] if key in TIME_KEYS:
            entries[name][key] = "1 h"
        case ["senses", switch]:
            entries[name]["senses"][switch] = True
        case ["hazard" | "faults" | "why" | "note" as key]:
            entries[name].pop(key, None)
        case _:
            doubtful.add(name)
            entries.pop(name, None)


def _neutralise_sequence(sequences: Any, name: str, rest: list[Any], doubtful: set[str]) -> None:
    sequence = sequences[name]
    states = sequence["states"]
    first = next(iter(states))
    match rest:
        case [] | ["start", *_]:
            sequence["start"] = first
        case ["overrides", int(number), *inner]:
            _neutralise_exit(sequence["overrides"], number, inner, first)
        case ["states", str(state)]:
            states[state] = {}
        case ["states", str(state), "exits", int(number), *inner]:
            _neutralise_exit(states[state]["exits"], number, inner, state)
        case ["states", str(state), str(key), *_]:
            states[state][key] = NEUTRAL[key]
        case [str(key), *_]:
            sequence[key] = NEUTRAL[key]
        case _:
            raise _TooBrokenError


def _neutralise_exit(exits: Any, number: int, inner: list[Any], target: str) -> None:
    neutral = {"to": target, "when": True}
    if not isinstance(exits[number], dict):
        exits[number] = neutral
    elif inner and inner[0] in NEUTRAL:
        exits[number][inner[0]] = NEUTRAL[inner[0]]
    elif inner:
        exits[number][inner[0]] = target
    else:
        _fill(exits[number], neutral)


def _fill(item: Any, values: dict[str, Any]) -> None:
    for key, value in values.items():
        item.setdefault(key, value)


def _parent(data: Any, path: tuple[str | int, ...]) -> Any:
    for step in path[:-1]:
        data = data[step]
    return data
