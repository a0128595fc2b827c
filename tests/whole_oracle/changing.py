"""Second versions of random machines: with a change or two, some of which change nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from copy import deepcopy
from random import Random
from typing import Any

from .drawing import MachineDict


def changed(found: MachineDict, chance: Random) -> MachineDict:
    """Another version of a machine; it may be one that the reader refuses."""
    new = deepcopy(found)
    for _ in range(chance.choice((1, 1, 2))):
        chance.choice(CHANGES)(new, chance)
    return new


def _exits(new: MachineDict) -> Iterator[dict[str, Any]]:
    for sequence in new["sequences"].values():
        yield from sequence.get("overrides", [])
        for state in sequence["states"].values():
            yield from state.get("exits", [])


def _condition(new: MachineDict, chance: Random) -> None:
    """Another condition: turned round, said twice over, or with an input more."""
    guarded = [item for item in _exits(new) if "when" in item]
    if guarded:
        item = chance.choice(guarded)
        name = chance.choice(list(new["inputs"]))
        ways = ("not ({})", "not (not ({}))", "({}) and {name}", "({}) or {name}", "({}) and ({})")
        item["when"] = chance.choice(ways).format(item["when"], item["when"], name=name)


def _time(new: MachineDict, chance: Random) -> None:
    """Another time, by a scan or so little that no scan sees it."""
    timed = [item for item in _exits(new) if "after" in item]
    if timed:
        item = chance.choice(timed)
        scan = int(new["scan"].removesuffix(" ms"))
        if item["after"].endswith(" ms"):
            milliseconds = int(item["after"].removesuffix(" ms"))
            item["after"] = f"{max(0, milliseconds + chance.choice((1, -1, scan)))} ms"


def _target(new: MachineDict, chance: Random) -> None:
    """An exit that leads elsewhere."""
    sequence = chance.choice(list(new["sequences"].values()))
    exits = [item for state in sequence["states"].values() for item in state.get("exits", [])]
    if exits:
        chance.choice(exits)["to"] = chance.choice(list(sequence["states"]))


def _order(new: MachineDict, chance: Random) -> None:
    """The exits of a state in another order."""
    states = [state for sequence in new["sequences"].values() for state in sequence["states"].values()]
    chance.shuffle(chance.choice(states).get("exits", []))


def _demand(new: MachineDict, chance: Random) -> None:
    """What a state asks for."""
    sequence = chance.choice(list(new["sequences"].values()))
    state = chance.choice(list(sequence["states"].values()))
    state["on"] = [name for name in new["outputs"] if chance.randrange(2)]


def _interlock(new: MachineDict, chance: Random) -> None:
    """An interlock less, or one more."""
    if new.get("interlocks") and chance.randrange(2):
        new["interlocks"].remove(chance.choice(new["interlocks"]))
    else:
        name = chance.choice(list(new["inputs"]))
        lock = {"hold_off": chance.choice(list(new["outputs"])), "unless": name}
        new.setdefault("interlocks", []).append(lock)


def _debounce(new: MachineDict, chance: Random) -> None:
    """Another debounce: two controllers then see one circuit differently."""
    item = new["inputs"][chance.choice(list(new["inputs"]))]
    if item.pop("debounce", None) is None:
        item["debounce"] = new["scan"]


def _input(new: MachineDict, chance: Random) -> None:
    """An input that the old version does not have, at the end of a condition."""
    new["inputs"]["fog"] = {}
    guarded = [item for item in _exits(new) if "when" in item]
    if guarded:
        item = chance.choice(guarded)
        item["when"] = f"({item['when']}) and not fog"


def _action(new: MachineDict, chance: Random) -> None:
    """An exit that writes nothing any more."""
    writing = [item for item in _exits(new) if "do" in item or "set" in item or "clear" in item]
    if writing:
        item = chance.choice(writing)
        for key in ("do", "set", "clear"):
            item.pop(key, None)


def _part(new: MachineDict, chance: Random) -> None:
    """Another plant of the new version, which is not looked at."""
    if new.get("parts"):
        part = new["parts"][chance.choice(list(new["parts"]))]
        part.pop("starts", None)
        part.pop("just_entered", None)


CHANGES: tuple[Callable[[MachineDict, Random], None], ...] = (
    _condition, _condition, _time, _target, _order, _demand, _interlock, _debounce, _input, _action, _part,
)  # fmt: skip
