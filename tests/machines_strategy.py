"""Generators of valid machine files for Hypothesis: the one shared place, widened with each feature.

A machine is a dict shaped as the YAML file (``machine_text`` writes it as text, JSON being
YAML), so tests exercise the models and the reader as users do. Names include C keywords,
names that differ in case only and names ending in ``_``.

Random machines must move: every state's first exit is likely to open soon, and outputs are
listed generously. ``test_machines_strategy.py`` asserts the proportion.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from stillgate.controller.machine_file.machine import Machine

MachineDict = dict[str, Any]
Draw = Callable[[st.SearchStrategy[Any]], Any]

SCANS = (10, 20, 50)
TIMES = (0, 5, 10, 20, 30, 45, 60, 100, 150)
"""Milliseconds; not all multiples of a scan."""

NAMES = (
    "int", "register", "while", "x", "X", "a_", "b_1", "main", "state", "level", "pin", "run", "next_state",
    "Stop", "stop", "go", "s", "in", "out", "void", "was", "active", "value", "elapsed", "asked_for",
    "uint8_t",
)  # fmt: skip
STATE_NAMES = ("idle", "int", "default", "case", "off", "a_", "Idle", "active", "initial")


@dataclass
class Names:
    """What expressions of a machine under construction may name."""

    inputs: list[str] = field(default_factory=list)
    outputs: list[str] = field(default_factory=list)
    bits: list[str] = field(default_factory=list)
    counters: dict[str, tuple[int, int]] = field(default_factory=dict)
    states: list[str] = field(default_factory=list)  # sequence.state
    truths: list[str] = field(default_factory=list)  # part.truth, for requirements
    fresh: list[str] = field(default_factory=list)

    def take(self) -> str:
        """A name not used before."""
        return self.fresh.pop()


@dataclass(frozen=True)
class Size:
    """Upper limits of a generated machine."""

    sequences: int = 4
    states: int = 4
    inputs: int = 4
    outputs: int = 3
    bits: int = 2
    counters: int = 2
    times: tuple[int, ...] = TIMES
    depth: int = 2
    remembers: bool = False  # exits write memory, and those of one state ask for it


LARGE = Size()
SMALL = Size(sequences=2, states=3, inputs=3, outputs=2, bits=1, counters=2, times=(0, 10, 20, 30), depth=1)
"""Small enough for exhaustive search; two counters, so that one can be written to the other."""

REMEMBERING = Size(
    sequences=1, states=4, inputs=2, outputs=2, bits=0, counters=2, times=(0, 10), depth=0, remembers=True
)
"""What a sequence does depends on what it wrote some exits ago; small enough for a search in Python."""


# -- expressions -----------------------------------------------------------------------------


def time(draw: Draw, size: Size) -> str:
    """A time as text."""
    return f"{draw(st.sampled_from(size.times))} ms"


def number(draw: Draw, names: Names) -> str:
    """A text that gives a number."""
    if not names.counters or draw(st.booleans()):
        return str(draw(st.integers(-1, 3)))
    name = draw(st.sampled_from(sorted(names.counters)))
    match draw(st.integers(0, 3)):
        case 0:
            return f"{name} + {draw(st.integers(0, 2))}"
        case 1:
            return f"({name} - {draw(st.integers(0, 2))})"
        case _:
            return str(name)


def plain(draw: Draw, names: Names, depth: int, *, outputs: bool = True) -> str:
    """A text that gives a truth, without rising, falling or held."""
    if depth > 0 and draw(st.booleans()):
        left, right = (plain(draw, names, depth - 1, outputs=outputs) for _ in range(2))
        operator = draw(st.sampled_from(("and", "or", "xor", "=", "<>", "AND", "OR")))
        return f"({left} {operator} {right})"
    pool = [*names.inputs, *names.inputs, *names.bits, *names.states, *names.truths]
    pool += names.outputs if outputs else []
    if names.counters and draw(st.integers(0, 4)) == 0:
        operator = draw(st.sampled_from(("=", "<>", "<", "<=", ">", ">=")))
        return f"({number(draw, names)} {operator} {number(draw, names)})"
    if not pool or draw(st.integers(0, 19)) == 0:
        return str(draw(st.sampled_from(("true", "false"))))
    name = draw(st.sampled_from(pool))
    return f"not {name}" if draw(st.booleans()) else str(name)


def observation(draw: Draw, names: Names, size: Size, *, outputs: bool = True) -> str:
    """rising, falling or held, over a name or over more than a name."""
    simple = bool(names.inputs) and draw(st.booleans())
    argument = (
        draw(st.sampled_from(names.inputs)) if simple else plain(draw, names, size.depth, outputs=outputs)
    )
    function = draw(st.sampled_from(("rising", "falling", "held", "Rising", "HELD")))
    return (
        f"{function}({argument}, {time(draw, size)})"
        if function.lower() == "held"
        else f"{function}({argument})"
    )


def truth(draw: Draw, names: Names, size: Size, *, edge_outputs: bool = True) -> str:
    """A text that gives a truth, for guards and interlocks.

    ``edge_outputs`` tells whether rising, falling and held may read outputs (not in interlocks).
    """
    match draw(st.integers(0, 4)):
        case 0:
            return observation(draw, names, size, outputs=edge_outputs)
        case 1:
            operator = draw(st.sampled_from(("and", "or", "xor")))
            left = observation(draw, names, size, outputs=edge_outputs)
            return f"{left} {operator} {plain(draw, names, size.depth)}"
        case _:
            return plain(draw, names, size.depth)


def easy(draw: Draw, names: Names) -> str:
    """A guard that random inputs soon make true."""
    if not names.inputs:
        return "true"
    name = draw(st.sampled_from(names.inputs))
    return str(draw(st.sampled_from((name, f"not {name}", f"rising({name})", f"falling({name})"))))


# -- sections --------------------------------------------------------------------------------


def _inputs(draw: Draw, names: Names, size: Size) -> MachineDict:
    found: MachineDict = {}
    for _ in range(draw(st.integers(1, size.inputs))):
        item: MachineDict = {}
        if draw(st.booleans()):
            item["from"] = "operator"
        if draw(st.integers(0, 2)) == 0:
            item["debounce"] = time(draw, size)
        if draw(st.integers(0, 2)) == 0:
            item["active"] = "low"
        if draw(st.integers(0, 2)) == 0:
            item["contact"] = "normally_closed"
        name = names.take()
        names.inputs.append(name)
        found[name] = item
    return found


def _outputs(draw: Draw, names: Names, size: Size) -> MachineDict:
    found: MachineDict = {}
    for _ in range(draw(st.integers(1, size.outputs))):
        name = names.take()
        names.outputs.append(name)
        found[name] = {"active": "low"} if draw(st.integers(0, 3)) == 0 else {}
    return found


def _memory(draw: Draw, names: Names, size: Size) -> MachineDict:
    found: MachineDict = {}
    for _ in range(draw(st.integers(0, size.bits))):
        name = names.take()
        names.bits.append(name)
        found[name] = {"start": True} if draw(st.integers(0, 3)) == 0 else {}
    for _ in range(size.counters if size.remembers else draw(st.integers(0, size.counters))):
        name = names.take()
        low = draw(st.integers(-2, 1))
        high = low + draw(st.integers(1, 3))
        names.counters[name] = (low, high)
        found[name] = {"range": f"{low}..{high}", "start": draw(st.integers(low, high))}
    return found


def _actions(draw: Draw, names: Names, size: Size, owned: list[str]) -> MachineDict:
    """Writes to some of the memory that the sequence owns, each at most once."""
    found: MachineDict = {}
    for name in owned:
        if not draw(st.integers(0, 3 if size.remembers else 1)):
            continue
        if name in names.counters:
            found.setdefault("do", {})[name] = _written(draw, names, size, name)
        elif draw(st.booleans()):
            found.setdefault(draw(st.sampled_from(("set", "clear"))), []).append(name)
        else:
            found.setdefault("do", {})[name] = plain(draw, names, 1)
    return found


def _written(draw: Draw, names: Names, size: Size, counter: str) -> str:
    """A number for a counter: a step from where it is, or one that may lie outside its range."""
    low, high = names.counters[counter]
    others = [name for name in names.counters if name != counter]
    match draw(st.integers(0, 2 if size.remembers else 6)):
        case 0 if others:  # of another range: what leaves this one keeps the old value
            return str(draw(st.sampled_from(others)))
        case 0 | 1:
            return str(draw(st.integers(low, high)))
        case 2 if size.remembers:
            return str(draw(st.sampled_from((low - 1, high + 1))))
        case 2:
            return number(draw, names)
        case _:
            return f"{counter} {draw(st.sampled_from(('+ 1', '+ 1', '- 1', '+ 2')))}"


def _asks_for(draw: Draw, names: Names, name: str) -> str:
    """A condition on a memory."""
    if name not in names.counters:
        return str(draw(st.sampled_from((name, f"not {name}"))))
    low, high = names.counters[name]
    return f"{name} {draw(st.sampled_from(('=', '<>', '>', '<=')))} {draw(st.integers(low, high))}"


def _exit(draw: Draw, names: Names, size: Size, targets: list[str], owned: list[str]) -> MachineDict:
    found: MachineDict = {"to": draw(st.sampled_from(targets))}
    kind = draw(st.integers(0, 5))
    if size.remembers and owned:
        found["when"] = f"{easy(draw, names)} and {_asks_for(draw, names, draw(st.sampled_from(owned)))}"
    elif kind != 0:
        found["when"] = truth(draw, names, size)
    if kind <= 1:
        found["after"] = time(draw, size)
    return found | _actions(draw, names, size, owned)


def _easy_exit(draw: Draw, names: Names, size: Size, targets: list[str], owned: list[str]) -> MachineDict:
    found: MachineDict = {"to": draw(st.sampled_from(targets))}
    if draw(st.integers(0, 2)) == 0:
        found["after"] = time(draw, size)
    else:
        found["when"] = easy(draw, names)
    return found | _actions(draw, names, size, owned)


def _sequence(draw: Draw, names: Names, size: Size, states: list[str], owned: list[str]) -> MachineDict:
    bodies: MachineDict = {}
    start, asking = draw(st.sampled_from(states)), draw(st.sampled_from(states))
    for state in states:
        others = [other for other in states if other != state] or states
        if size.remembers:  # round and round, so that what was written is asked for
            others = [states[(states.index(state) + 1) % len(states)]]
        exits = []
        if draw(st.integers(0, 9)) != 9 or state == start:
            exits.append(_easy_exit(draw, names, size, others, owned))
        more = st.integers(0, 2) if not size.remembers else st.just(2 if state == asking else 0)
        for _ in range(draw(more)):
            exits.insert(draw(st.integers(0, len(exits))), _exit(draw, names, size, states, owned))
        body: MachineDict = {"exits": exits} if exits else {"end": True}
        on = draw(st.lists(st.sampled_from(names.outputs), unique=True, max_size=2))
        if on:
            body["on"] = on
        bodies[state] = body
    found: MachineDict = {"start": start, "states": bodies}
    overrides = [
        {"when": truth(draw, names, size), "to": draw(st.sampled_from(states))}
        | _actions(draw, names, size, owned)
        for _ in range(draw(st.sampled_from((0, 0, 0, 1, 2))))
    ]
    if overrides:
        found["overrides"] = overrides
    return found


def _sequences(draw: Draw, names: Names, size: Size) -> MachineDict:
    states: dict[str, list[str]] = {}
    for _ in range(draw(st.integers(1, size.sequences))):
        count = draw(st.integers(1, size.states)) if draw(st.integers(0, 4)) == 4 else size.states
        pool = draw(st.permutations(STATE_NAMES))
        states[names.take()] = list(pool[:count])
    names.states = [f"{name}.{state}" for name, known in states.items() for state in known]
    owner: dict[str, list[str]] = {name: [] for name in states}
    for memory in (*names.bits, *names.counters):
        owner[draw(st.sampled_from(sorted(states)))].append(memory)
    return {name: _sequence(draw, names, size, known, owner[name]) for name, known in states.items()}


def _interlocks(draw: Draw, names: Names, size: Size) -> list[MachineDict]:
    return [
        {
            "hold_off": draw(st.sampled_from(names.outputs)),
            "unless": truth(draw, names, size, edge_outputs=False),
            "why": "because",
        }
        for _ in range(draw(st.integers(0, 3)))
    ]


def controller(draw: Draw, names: Names, size: Size) -> MachineDict:
    """The sections of a controller; ``names`` learns what there is to name."""
    names.fresh = list(draw(st.permutations(NAMES)))
    found: MachineDict = {
        "machine": draw(st.sampled_from(("m", "double", "press_1"))),
        "scan": f"{draw(st.sampled_from(SCANS))} ms",
        "inputs": _inputs(draw, names, size),
        "outputs": _outputs(draw, names, size),
        "memory": _memory(draw, names, size),
    }
    found["sequences"] = _sequences(draw, names, size)
    found["interlocks"] = _interlocks(draw, names, size)
    return found


@st.composite
def machine_dicts(draw: Draw, size: Size = LARGE) -> MachineDict:
    """Machines without parts or requirements: every input is free."""
    return controller(draw, Names(), size)


def machines(size: Size = LARGE) -> st.SearchStrategy[Machine]:
    """The same as models."""
    return machine_dicts(size).map(Machine.model_validate)


def machine_text(machine: MachineDict) -> str:
    """The machine file of a dict: JSON, which YAML 1.2 reads."""
    return json.dumps(machine, indent=2)


@st.composite
def runs(draw: Draw, machine: Machine, longest: int = 60) -> list[dict[str, bool] | str]:
    """What happens to a machine, a step a scan: levels at its pins, or 'off' and 'on' of its power.

    Levels stay for a while more often than not, so that delays and holds run out.
    """
    names = list(machine.inputs)
    steps: list[dict[str, bool] | str] = []
    while len(steps) < longest:
        if draw(st.integers(0, 24)) == 0:
            steps.append(draw(st.sampled_from(("off", "on"))))
        pins = dict(
            zip(names, draw(st.lists(st.booleans(), min_size=len(names), max_size=len(names))), strict=True)
        )
        steps += [pins] * draw(st.sampled_from((1, 1, 2, 3, 8)))
        if draw(st.integers(0, 19)) == 0:
            break
    return steps


class _Enough(Exception):  # noqa: N818
    """As many values were drawn as were asked for."""


def sample(strategy: st.SearchStrategy[Any], count: int, *, first: int = 1) -> list[Any]:
    """``count`` different values of a strategy, the same at every run; others with another ``first``."""
    found: list[Any] = []

    @seed(first)
    @settings(
        max_examples=2 * count + 10,  # Hypothesis repeats itself now and then
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(strategy)
    def collect(value: Any) -> None:
        if len(found) == count:
            raise _Enough
        if value not in found:
            found.append(value)

    with suppress(_Enough):
        collect()
    assert len(found) == count, f"{len(found)} different values of {count}"
    return found


def apart(strategy: st.SearchStrategy[Any], count: int, *, first: int = 1) -> list[Any]:
    """``count`` values of a strategy, each of a seed of its own: those of one seed resemble each other."""
    return [sample(strategy, 2, first=first + number)[-1] for number in range(count)]
