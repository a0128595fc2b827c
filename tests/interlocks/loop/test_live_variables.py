"""Dead values are dropped, live ones are kept: the number of states says which.

That dropping changes no verdict is tested on random machines in ``test_closed_loop.py``.
"""

from __future__ import annotations

from typing import Any

import pytest

from engine import broken_c, search_c
from python_search import search
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.rules.single_faults import POWER_INTERRUPTED
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop


def loop_of(
    states: dict[str, Any],
    *,
    canonical: bool = True,
    requirements: dict[str, Any] | None = None,
    faults: int = 0,
    **more: Any,
) -> ClosedLoop:
    machine = Machine.model_validate({
        "machine": "m",
        "scan": "10 ms",
        "inputs": {"go": {}},
        "outputs": {"lamp": {}},
        "sequences": {"s": {"start": "a", "states": states}},
        "requirements": requirements or {},
    } | more)  # fmt: skip
    return close_loop(machine, tick=10, faults=faults, canonical=canonical)


def values_of(loop: ClosedLoop, cell: str, state: int) -> set[int]:
    """Values a stored cell takes in a state of the sequence."""
    names = [item.name for item in loop.key_cells]
    at, active = names.index(cell), names.index("s.active")
    return {key[at] for key in search(loop).depths if key[active] == state}


WAITS = {
    "a": {"exits": [{"when": "go", "to": "b"}]},
    "b": {"on": ["lamp"], "exits": [{"after": "30 ms", "when": "go", "to": "c"}]},
    "c": {"exits": [{"after": "10 ms", "to": "a"}]},
}


def test_time_since_entry_is_counted_no_further_than_an_exit_of_the_state_asks() -> None:
    loop = loop_of(WAITS)
    assert values_of(loop, "s.elapsed", 0) == {0}
    assert values_of(loop, "s.elapsed", 1) == {1, 2, 3}
    assert values_of(loop, "s.elapsed", 2) == {1}
    assert max(values_of(loop_of(WAITS, canonical=False), "s.elapsed", 0)) > 0


REMEMBERS = {
    "a": {
        "exits": [{"when": "go", "to": "b", "set": ["bit"]}, {"when": "not go", "to": "b", "clear": ["bit"]}]
    },
    "b": {"on": ["lamp"], "exits": [{"when": "bit", "to": "c"}, {"after": "20 ms", "to": "c"}]},
    "c": {"exits": [{"when": "go", "to": "a"}]},
}


def test_memory_lives_until_its_last_reader_and_is_dropped_behind_it() -> None:
    """In c nothing reads the bit before a writes it anew."""
    loop = loop_of(REMEMBERS, memory={"bit": {}})
    assert values_of(loop, "bit.value", 1) == {0, 1}
    assert values_of(loop, "bit.value", 2) == {0}
    assert values_of(loop_of(REMEMBERS, memory={"bit": {}}, canonical=False), "bit.value", 2) == {0, 1}


@pytest.mark.parametrize("reader", ["requirement", "interlock", "sequence"])
def test_memory_that_anybody_else_reads_is_kept(reader: str) -> None:
    """'Read' includes requirements, interlocks and other sequences."""
    more: dict[str, Any] = {"memory": {"bit": {}}}
    match reader:
        case "requirement":
            more["requirements"] = {"r": {"never": "bit and lamp and go"}}
        case "interlock":
            more["interlocks"] = [{"hold_off": "lamp", "unless": "bit"}]
        case _:
            more["sequences"] = {
                "s": {"start": "a", "states": REMEMBERS},
                "other": {"start": "x", "states": {
                    "x": {"exits": [{"when": "bit", "to": "y"}]},
                    "y": {"exits": [{"when": "not bit", "to": "x"}]},
                }},
            }  # fmt: skip
    assert values_of(loop_of(REMEMBERS, **more), "bit.value", 2) == {0, 1}


def test_an_edge_is_remembered_only_where_the_next_scan_may_look_at_it() -> None:
    """Power-on apart, a button's past level makes no two states of one in which nobody asks."""
    states = {
        "a": {"exits": [{"when": "rising(go)", "to": "b"}]},
        "b": {"on": ["lamp"], "exits": [{"after": "50 ms", "to": "a"}]},
    }
    loop, raw = loop_of(states), loop_of(states, canonical=False)
    assert len(search_c(loop).depths) < len(search_c(raw).depths)
    eager = close_loop(loop.machine, tick=10, faults=0, lazy=False)
    names = [cell.name for cell in eager.key_cells]
    level, active, elapsed = (names.index(name) for name in ("go.run", "s.active", "s.elapsed"))
    waiting = [key for key in search(eager).depths if key[active] == 1 and key[elapsed] < 5]
    assert {key[level] for key in waiting} == {0}


def test_without_power_an_edge_that_the_start_state_asks_for_is_not_forgotten() -> None:
    """In the first scan with power nothing has fallen, however long it was dark."""
    states = {
        "a": {"exits": [{"when": "falling(go)", "to": "b"}, {"to": "c"}]},
        "b": {"on": ["lamp"], "exits": [{"to": "c"}]},
        "c": {"exits": [{"when": "go", "to": "c"}]},
    }
    for canonical in (True, False):
        loop = loop_of(states, requirements={"at_once": {"never": "s.b"}}, canonical=canonical, faults=1)
        assert POWER_INTERRUPTED in [item.name for item in loop.faults]
        assert broken_c(loop) == set()
