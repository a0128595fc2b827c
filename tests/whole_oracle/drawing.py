"""Random machines by number: the same seed gives the same machine, so a search can be counted and cut up.

A machine is a dict shaped as the file (JSON being YAML). Machines are tiny, for each is searched in
plain Python; what they have is therefore drawn by theme, so that a few hundred of them meet every
key of the page and every combination that once hid a mistake. `test_whole_oracle.py` counts both.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

from .drawing_parts import Skeleton, draw_part, skeleton
from .drawing_terms import Drawn, Pool

MachineDict = dict[str, Any]

THEMES = (
    "memory", "automaton", "travel", "spin", "flow", "parts together", "held", "switches", "faults",
    "long tick", "automaton", "flow",
)  # fmt: skip
"""What a machine has more of than others, in turn."""

READER = 2
"""Place of the state that alone reads a counter which no other reads; each exit of the one before it
writes that counter, so the old value seems to be lost there, unless the write leaves the range."""

KINDS = ("spin", "travel", "flow", "automaton")
PATTERNS = ("never", "always", "response", "invariance", "precedence", "reach", "from_anywhere")


def theme_of(seed: int) -> str:
    """What the machine of a seed has more of than others."""
    return THEMES[seed % len(THEMES)]


def draw_machine(seed: int, attempt: int = 0) -> MachineDict:
    """The machine of a seed; a further attempt is another machine of the same theme."""
    theme = theme_of(seed)
    chance = Random(f"{seed} {attempt}")
    scan = chance.choice((10, 10, 20))
    factor = chance.choice((2, 2, 3)) if theme == "long tick" else chance.choice((1, 1, 1, 1, 2))
    drawn = Drawn(chance, scan, scan * factor, theme)
    plan = _plan_of_parts(drawn)
    inputs = _inputs(drawn, plan)
    drawn.outputs = ["valve", "motor"][: chance.choice((1, 2, 2))]
    memory = _memory(drawn)
    states = _states(drawn)
    found: MachineDict = {"machine": f"m{seed}", "scan": f"{scan} ms"}
    if drawn.one_in(6):
        found |= {"title": "Drawn by chance", "note": "for a test"}
    found |= {
        "hazards": {"crushing": "between the jaws"},
        "inputs": inputs,
        "outputs": {name: _output(drawn) for name in drawn.outputs},
        "memory": memory,
        "parts": {item.name: draw_part(drawn, item, plan) for item in plan},
    }
    drawn.shuffle_keys(found["parts"])
    found["sequences"] = _sequences(drawn, states)
    found["interlocks"] = [_interlock(drawn) for _ in range(chance.choice((0, 0, 1, 2)))]
    found["requirements"] = {
        f"r{number}": _requirement(drawn) for number in range(1, chance.randint(3, 5) + 1)
    }
    found["check"] = _check(drawn)
    return {key: item for key, item in found.items() if item or key in ("sequences", "requirements")}


# -- what there is ---------------------------------------------------------------------------


def _plan_of_parts(drawn: Drawn) -> list[Skeleton]:
    match drawn.theme:
        case "automaton" | "travel" | "spin" | "flow":
            kinds = [drawn.theme]
        case "parts together":
            kinds = [drawn.pick(KINDS), drawn.pick(("automaton", "flow", "travel", "spin"))]
        case "memory" | "switches":
            kinds = []
        case _:
            kinds = [drawn.pick(KINDS)] if drawn.one_in(2) else []
    return [skeleton(drawn, f"part{number}", kind) for number, kind in enumerate(kinds, 1)]


def _inputs(drawn: Drawn, plan: list[Skeleton]) -> MachineDict:
    found: MachineDict = {}
    free = 1 if plan and drawn.theme != "held" else drawn.chance.choice((1, 2, 2))
    for number in range(free):
        name = "go" if number == 0 else "stop"
        found[name] = {"from": "operator"} if drawn.one_in(2) else {}
    for item in plan:
        for name in item.switches:
            found[name] = {}
    for item in found.values():
        if drawn.one_in(2 if drawn.theme == "switches" else 8):
            item["debounce"] = drawn.time(2)
        if drawn.one_in(5):
            item["active"] = "low"
        if drawn.one_in(5):
            item["contact"] = "normally_closed"
    drawn.inputs = list(found)
    return found


def _output(drawn: Drawn) -> MachineDict:
    found: MachineDict = {}
    if drawn.one_in(5):
        found["active"] = "low"
    if drawn.one_in(5):
        found["hazard"] = "crushing"
    return found


def _memory(drawn: Drawn) -> MachineDict:
    found: MachineDict = {}
    often = drawn.theme == "memory"
    for name in ("wide", "narrow") if often else ("wide",) if drawn.one_in(4) else ():
        low = drawn.chance.choice((0, 0, 0, -1))
        high = low + 1 if name == "narrow" else drawn.chance.choice((2, 3))
        drawn.counters[name] = (low, high)
        found[name] = {"range": f"{low}..{high}"}
        if drawn.one_in(2):
            found[name]["start"] = drawn.chance.randint(low, high)
    if often and not drawn.one_in(4):
        drawn.read_once = "narrow"
        found["wide"]["start"] = drawn.counters["wide"][1]
    if drawn.one_in(3):
        drawn.bits.append("flag")
        found["flag"] = {"start": True} if drawn.one_in(3) else {}
    return found


def _states(drawn: Drawn) -> dict[str, list[str]]:
    count = 1 if drawn.theme in ("parts together", "memory") or drawn.one_in(2) else 2
    most = 4 if drawn.theme == "memory" else 3
    found = {
        name: ["a", "b", "c", "d", "e"][: drawn.chance.randint(2, most)] for name in ("main", "side")[:count]
    }
    if drawn.theme == "memory":
        found["main"] = ["a", "b", "c", "d", "e"]
    drawn.states = [f"{name}.{state}" for name, known in found.items() for state in known]
    return found


# -- the controller --------------------------------------------------------------------------


def _sequences(drawn: Drawn, states: dict[str, list[str]]) -> MachineDict:
    written = [*drawn.counters, *drawn.bits]
    if drawn.read_once and not drawn.one_in(3):
        written.remove("wide")  # each copy of it into the narrower one leaves the range
    owner = {name: drawn.pick(list(states)) for name in written}
    return {
        name: _sequence(drawn, known, [memory for memory, of in owner.items() if of == name])
        for name, known in states.items()
    }


def _sequence(drawn: Drawn, states: list[str], owned: list[str]) -> MachineDict:
    bodies: MachineDict = {}
    for place, state in enumerate(states):
        more = (0, 0, 0, 1) if drawn.read_once in owned else (0, 1, 1, 2)
        exits = [_exit(drawn, states, owned) for _ in range(drawn.chance.choice(more))]
        onward = states[(place + 1) % len(states)]
        if drawn.read_once in owned and place > READER:
            onward = states[0]
        exits.insert(drawn.chance.randint(0, len(exits)), _easy_exit(drawn, onward, owned))
        if drawn.read_once in owned and place == READER:
            exits = _telling_exits(drawn, states, owned)
        if drawn.read_once in owned and place == READER - 2:
            for item in exits:
                item.setdefault("do", {})[drawn.read_once] = drawn.pick(
                    list(map(str, drawn.counters["narrow"]))
                )
        if drawn.read_once in owned and place == READER - 1:
            for item in exits:
                item.setdefault("do", {})[drawn.read_once] = _written(drawn, drawn.read_once, copied=True)
        body: MachineDict = {"exits": exits}
        if place == len(states) - 1 and drawn.one_in(5):
            body = {"end": True}
        on = [name for name in drawn.outputs if drawn.one_in(2)]
        if drawn.theme in ("automaton", "flow", "parts together") and not drawn.one_in(3):
            on = drawn.outputs if place % 2 else []  # what moves parts comes and goes
        if on:
            body["on"] = on
        if drawn.one_in(20):
            body["note"] = "drawn"
        bodies[state] = body
    found: MachineDict = {"start": states[0] if drawn.one_in(2) else drawn.pick(states), "states": bodies}
    if drawn.one_in(3):
        found["overrides"] = [
            {"when": drawn.truth(Pool.GUARD), "to": drawn.pick(states)} | _actions(drawn, owned)
            for _ in range(drawn.chance.choice((1, 1, 2)))
        ]
    return found


def _telling_exits(drawn: Drawn, states: list[str], owned: list[str]) -> list[MachineDict]:
    """Exits of the only state that reads a counter: where they lead tells its value."""
    targets = drawn.chance.sample(states if drawn.one_in(3) else states[READER + 1 :], 2)
    return [
        {"to": to, "when": f"{drawn.read_once} = {number} and {drawn.pick(drawn.inputs)}"}
        | _actions(drawn, owned)
        for to, number in zip(targets, drawn.counters[drawn.read_once], strict=True)
    ]


def _easy_exit(drawn: Drawn, to: str, owned: list[str]) -> MachineDict:
    """An exit that random inputs soon open."""
    name = drawn.pick(drawn.inputs)
    found: MachineDict = {"to": to}
    if drawn.one_in(3):
        found["after"] = drawn.time(3)
    else:
        found["when"] = drawn.pick((name, name, f"not {name}", f"rising({name})", f"falling({name})"))
    return found | _actions(drawn, owned)


def _exit(drawn: Drawn, states: list[str], owned: list[str]) -> MachineDict:
    found: MachineDict = {"to": drawn.pick(states)}
    kind = drawn.chance.randint(0, 5)
    if kind != 0:
        found["when"] = drawn.truth(Pool.GUARD)
    if kind <= 1:
        found["after"] = drawn.time(3)
    return found | _actions(drawn, owned)


def _actions(drawn: Drawn, owned: list[str]) -> MachineDict:
    """Writes to some of the memory that a sequence owns, each at most once.

    A wider counter is copied into a narrower one as it is, so a write may leave the range.
    """
    found: MachineDict = {}
    for name in owned:
        if drawn.one_in(2):
            continue
        if name in drawn.bits:
            way = drawn.pick(("set", "clear", "clear", "do"))
            if way == "do":
                found.setdefault("do", {})[name] = drawn.plain(Pool.GUARD, 1)
            else:
                found.setdefault(way, []).append(name)
        else:
            found.setdefault("do", {})[name] = _written(drawn, name)
    return found


def _written(drawn: Drawn, name: str, *, copied: bool = False) -> str:
    """What is written to a counter; ``copied``: without a look at its old value."""
    low, high = drawn.counters[name]
    others = [other for other in drawn.counters if other != name]
    match drawn.chance.randint(0, 3 if copied else 6):
        case 0:
            return str(drawn.chance.randint(low, high))
        case 1 | 2 if others:
            return drawn.pick(others)
        case 3 if others:
            return f"{drawn.pick(others)} + 1"
        case 4:
            return f"{name} - 1"
        case 5 if others:
            return f"{name} + {drawn.pick(others)}"
        case _:
            return f"{name} + 1"


def _interlock(drawn: Drawn) -> MachineDict:
    found = {"hold_off": drawn.pick(drawn.outputs), "unless": drawn.truth(Pool.INTERLOCK)}
    return found | ({"why": "the jaws must be clear"} if drawn.one_in(3) else {})


# -- requirements ----------------------------------------------------------------------------


def _requirement(drawn: Drawn) -> MachineDict:
    found = _timed(drawn) if drawn.truths and drawn.one_in(3) else _PATTERN[drawn.pick(PATTERNS)](drawn)
    if drawn.one_in(3):
        found["hazard"] = "crushing"
    if drawn.one_in(3):
        found["faults"] = drawn.chance.choice((0, 1, 1))
    if drawn.one_in(10):
        found["why"] = "drawn"
    return found


def _never(drawn: Drawn) -> MachineDict:
    return {"never": f"{drawn.rare()} and {drawn.plain(Pool.REQUIREMENT, 1)}"}


def _always(drawn: Drawn) -> MachineDict:
    return {"always": f"not ({drawn.rare()}) or {drawn.truth(Pool.REQUIREMENT)}"}


def _response(drawn: Drawn) -> MachineDict:
    return {
        "after": drawn.rare(),
        "then": drawn.truth(Pool.REQUIREMENT),
        "within": drawn.limit(),
    }


def _invariance(drawn: Drawn) -> MachineDict:
    return {
        "after": drawn.rare(),
        "keep": f"{drawn.truth(Pool.REQUIREMENT)} or {drawn.plain(Pool.REQUIREMENT, 1)}",
        "for": drawn.time(3),
    }


def _precedence(drawn: Drawn) -> MachineDict:
    found = {"before": drawn.rare(), "first": drawn.truth(Pool.REQUIREMENT)}
    return found | ({"since": drawn.truth(Pool.REQUIREMENT)} if drawn.one_in(2) else {})


def _timed(drawn: Drawn) -> MachineDict:
    """That a part comes somewhere, or leaves, only after something has lasted: what its clocks decide."""
    place = drawn.pick([name for name in drawn.truths if ".at_" in name or ".item" in name])
    place = place if drawn.one_in(2) else f"not {place}"
    lasted = drawn.pick([*drawn.outputs, *drawn.outputs, *drawn.inputs, *drawn.states])
    lasted = f"held({lasted if drawn.one_in(2) else f'not {lasted}'}, {drawn.time(3)})"
    if drawn.one_in(2):
        return {"never": f"rising({place}) and not {lasted}"}
    return {"before": place, "first": lasted}


def _reach(drawn: Drawn) -> MachineDict:
    return {"reach": drawn.rare()}


def _from_anywhere(drawn: Drawn) -> MachineDict:
    return {"from_anywhere": drawn.truth(Pool.REQUIREMENT)}


_PATTERN: dict[str, Callable[[Drawn], MachineDict]] = {
    "never": _never, "always": _always, "response": _response, "invariance": _invariance,
    "precedence": _precedence, "reach": _reach, "from_anywhere": _from_anywhere,
}  # fmt: skip


def _check(drawn: Drawn) -> MachineDict:
    found: MachineDict = {"faults": 1 if drawn.theme == "faults" else drawn.chance.choice((0, 0, 1))}
    if drawn.tick != drawn.scan or drawn.one_in(6):
        found["tick"] = f"{drawn.tick} ms"
    if drawn.one_in(5):
        name = drawn.pick([*drawn.inputs, *drawn.outputs])
        fault = drawn.pick((f"{name} stuck on", f"{name} stuck off", "power interrupted"))
        found["exclude"] = [{"fault": fault, "why": "positive opening"}]
    return found
