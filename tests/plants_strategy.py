"""Parts, requirements and check options for generated machines: ``machines_strategy`` continued.

Closed machines are kept small (a few ten thousand situations at most), so that tests can
search them exhaustively and by slow, obviously right means.
"""

from __future__ import annotations

from hypothesis import strategies as st

from machines_strategy import (
    SMALL,
    Draw,
    MachineDict,
    Names,
    Size,
    controller,
    observation,
    plain,
    sample,
    time,
    truth,
)
from stillgate.controller.machine_file.machine import Machine

STOPS = ("shut", "open", "middle")
PATTERNS = ("never", "always", "response", "invariance", "precedence", "reach", "from_anywhere")


def _span(draw: Draw, longest: int, *, least: int = 0) -> str:
    """A range of times, a few scans long and never no time at all."""
    low = draw(st.integers(least, longest))
    high = max(1, low + draw(st.integers(0, 2)))
    return f"{low * 10}..{high * 10} ms"


def _output_term(draw: Draw, names: Names) -> str:
    name = draw(st.sampled_from(names.outputs))
    if draw(st.integers(0, 3)) == 0:
        return f"{name} and not {draw(st.sampled_from(names.outputs))}"
    return str(draw(st.sampled_from((name, name, f"not {name}"))))


def _senses(draw: Draw, free: list[str], truths: list[str]) -> MachineDict:
    """Switches of a part, taken off the list of inputs that nothing moves yet."""
    found: MachineDict = {}
    for word in truths:
        if free and draw(st.booleans()):
            text = f"at {word[3:]}" if word.startswith("at_") else word
            found[free.pop()] = text if draw(st.integers(0, 3)) else f"not ({text})"
    return found


def _spin(draw: Draw, names: Names, free: list[str]) -> tuple[MachineDict, list[str]]:
    part = {
        "kind": "spin", "drive": _output_term(draw, names),
        "runs_up": _span(draw, 2), "runs_down": _span(draw, 3),
        "senses": _senses(draw, free, ["turning", "at_speed"]),
        "starts": draw(st.sampled_from(("anywhere", "still", "at_speed"))),
    }  # fmt: skip
    return part, ["turning", "still", "at_speed"]


def _travel(draw: Draw, names: Names, free: list[str]) -> tuple[MachineDict, list[str]]:
    stops = list(STOPS[: draw(st.integers(2, 3))])
    truths = [f"at_{stop}" for stop in stops]
    part = {
        "kind": "travel", "stops": stops,
        "forward": _output_term(draw, names), "back": _output_term(draw, names),
        "takes": _span(draw, 3),
        "senses": _senses(draw, free, [*truths, "moving"]),
        "starts": draw(st.sampled_from(("anywhere", *stops))),
    }  # fmt: skip
    if draw(st.booleans()):
        part["takes_back"] = _span(draw, 3)
    return part, [*truths, "moving", "still"]


def _flow(draw: Draw, names: Names, free: list[str]) -> tuple[MachineDict, list[str]]:
    part = {
        "kind": "flow", "while": _output_term(draw, names),
        "every": _span(draw, 2, least=1), "lasts": _span(draw, 2, least=1),
        "senses": _senses(draw, free, ["item"]),
        "starts": draw(st.sampled_from(("anywhere", "empty"))), "just_entered": draw(st.booleans()),
    }  # fmt: skip
    return part, ["item"]


def _part_exit(draw: Draw, names: Names, to: str) -> MachineDict:
    """A way out of an automaton's state: ``when``, ``takes`` and ``freely`` in every combination.

    A ``when`` over outputs goes away and comes back as the sequences run.
    """
    item: MachineDict = {"to": to}
    if draw(st.integers(0, 3)):
        item["when"] = _output_term(draw, names)
    if draw(st.integers(0, 3)):
        item["takes"] = _span(draw, 3)
    if len(item) == 1 or draw(st.integers(0, 3)) == 0:
        item["freely"] = True
    return item


def _automaton(draw: Draw, names: Names, free: list[str]) -> tuple[MachineDict, list[str]]:
    states = ["free", "caught", "locked"][: draw(st.integers(2, 3))]
    bodies: MachineDict = {}
    for number, state in enumerate(states):
        targets = [states[(number + 1) % len(states)]]
        targets += draw(st.lists(st.sampled_from(states), max_size=2))
        bodies[state] = {"exits": [_part_exit(draw, names, to) for to in targets]}
    truths = [f"at_{state}" for state in states]
    part = {
        "kind": "automaton", "states": bodies, "senses": _senses(draw, free, truths),
        "starts": draw(st.sampled_from(("anywhere", *states))), "just_entered": draw(st.booleans()),
    }  # fmt: skip
    return part, truths


def _parts(draw: Draw, names: Names, inputs: MachineDict, most: int) -> MachineDict:
    free = [name for name, item in inputs.items() if "from" not in item]
    found: MachineDict = {}
    for _ in range(draw(st.integers(1, most))):
        make = draw(st.sampled_from((_spin, _travel, _flow, _automaton)))
        part, truths = make(draw, names, free)
        name = names.take()
        found[name] = part
        names.truths += [f"{name}.{word}" for word in truths]
    return found


@st.composite
def part_machine_dicts(draw: Draw) -> MachineDict:
    """Machines whose controller asks for nothing: parts to be led by outputs from outside.

    Two of them, one at least an automaton, for these have the most to say.
    """
    names = Names(outputs=["motor", "valve"], fresh=["third", "second", "first"])
    parts: MachineDict = {}
    for make in (_automaton, draw(st.sampled_from((_spin, _travel, _flow, _automaton)))):
        part, truths = make(draw, names, [])
        if part["kind"] == "automaton" and parts and draw(st.booleans()):
            looks_at = draw(st.sampled_from(names.truths))  # a place or a motion of another part
            part["states"][next(iter(part["states"]))]["exits"][0]["when"] = looks_at
        name = names.take()
        parts[name] = part
        names.truths += [f"{name}.{word}" for word in truths]
    return {
        "machine": "parts", "scan": "10 ms", "outputs": {name: {} for name in names.outputs},
        "parts": parts, "sequences": {"idle": {"start": "idle_state", "states": {"idle_state": {}}}},
    }  # fmt: skip


def requirement(draw: Draw, names: Names, size: Size, pattern: str) -> MachineDict:
    """A requirement of one pattern over everything the machine has."""

    def say() -> str:
        return plain(draw, names, size.depth)

    def said() -> str:
        """Mostly without a past; else ``held`` among others, on either side and on both."""
        if draw(st.integers(0, 3)):
            return say()
        operator = draw(st.sampled_from(("and", "or", "xor", "=", "<>", "and not")))
        return f"({say()} {operator} {observation(draw, names, size)})"

    match pattern:
        case "never":
            found: MachineDict = {"never": f"{say()} and {truth(draw, names, size)}"}
        case "always":
            found = {"always": f"{say()} or {truth(draw, names, size)}"}
        case "response":
            trigger = draw(st.sampled_from((say(), observation(draw, names, size))))
            found = {"after": trigger, "then": said(), "within": time(draw, size)}
        case "invariance":
            trigger = draw(st.sampled_from((say(), observation(draw, names, size))))
            found = {"after": trigger, "keep": f"{say()} or {said()}", "for": time(draw, size)}
        case "precedence":
            found = {"before": said(), "first": said()}
            if draw(st.booleans()):
                found["since"] = said()
        case "reach":
            found = {"reach": said()}
        case _:
            found = {"from_anywhere": said()}
    faults = draw(st.sampled_from((None, 0, 1)))
    return found if faults is None else found | {"faults": faults}


def _check(draw: Draw, machine: MachineDict, names: Names) -> MachineDict:
    found: MachineDict = {"faults": draw(st.integers(0, 1))}
    if draw(st.integers(0, 3)) == 0:
        name = draw(st.sampled_from([*names.inputs, *names.outputs]))
        word = draw(st.sampled_from(("on", "off")))
        found["exclude"] = [{"fault": f"{name} stuck {word}", "why": "positive opening"}]
    if draw(st.booleans()):
        found["tick"] = f"{int(machine['scan'].split()[0]) * draw(st.integers(1, 3))} ms"
    return found


@st.composite
def closed_machine_dicts(
    draw: Draw, size: Size = SMALL, patterns: tuple[str, ...] = PATTERNS, parts: int = 1
) -> MachineDict:
    """Machines with up to ``parts`` parts and a requirement of each of some patterns."""
    names = Names()
    found = controller(draw, names, size)
    found["parts"] = _parts(draw, names, found["inputs"], parts)
    chosen = draw(st.lists(st.sampled_from(patterns), min_size=1, max_size=4))
    found["requirements"] = {
        f"r{number}": requirement(draw, names, size, pattern) for number, pattern in enumerate(chosen, 1)
    }
    found["check"] = _check(draw, found, names)
    return found


def closed_machines(
    size: Size = SMALL, patterns: tuple[str, ...] = PATTERNS, parts: int = 1
) -> st.SearchStrategy[Machine]:
    """The same as models."""
    return closed_machine_dicts(size, patterns, parts).map(Machine.model_validate)


MONITORED = ("never", "always", "response", "invariance", "precedence")
"""Patterns that a monitor judges in one run."""

CHUNK = 20


def twenty_machines(chunk: int) -> list[MachineDict]:
    """Twenty random machine files, the same at every run, to be judged alike by all; ten chunks are 200.

    Drawn by twenties, so that a test of twenty does not draw the others besides. The first draws of
    a seed are the least machines there are, much the same for every seed, and are left out.
    """
    return sample(closed_machine_dicts(SMALL, MONITORED, parts=2), CHUNK + 5, first=1 + chunk)[5:]
