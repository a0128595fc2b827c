"""The closed loop means the same, however it is made smaller.

Searches that share little are held against each other: a dictionary search in plain Python
and the C engine, each on demand and eager, canonical and raw.
"""

from __future__ import annotations

import re
from time import process_time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from closed_gate import gate, quick
from engine import quick_build, search_c
from plants_strategy import closed_machines
from python_search import leaves, search
from stillgate.controller.effort import Effort
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.program import Cell
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.exploration.explorer import Explorer
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop
from stillgate.interlocks.loop.interpreter import Chooser, LoopRunner
from stillgate.interlocks.loop.state_layout import pack, packed_fields, unpack

MANY = 1500

# -- ways to make the loop smaller -----------------------------------------------------------------


@pytest.mark.parametrize("faults", [0, 1])
def test_asking_inputs_on_demand_reaches_exactly_the_eager_states_and_breaks(faults: int) -> None:
    """With one memory value per belief the states are the eager ones, as many and as deep.

    With a fault the breaks only: where an input is asked on demand its fault may begin before
    it changes anything, and that is a state more.
    """
    eager = search_c(gate(faults, lazy=False))
    exact = search_c(gate(faults, exact=True))
    lazy = search_c(gate(faults))
    assert exact.broken == lazy.broken == eager.broken
    if not faults:
        assert sorted(exact.depths.values()) == sorted(eager.depths.values())
        assert exact.levels == eager.levels
    assert "edge_stops_it" in eager.broken


def test_dropping_dead_values_changes_no_verdict_and_only_makes_the_set_smaller() -> None:
    raw, canonical = search(gate(0, canonical=False)), search(gate(0))
    assert raw.broken == canonical.broken
    assert len(canonical.depths) < len(raw.depths)


def test_a_fault_budget_only_adds_breaks_and_never_delays_one() -> None:
    without, with_one = search_c(gate(0)).broken, search_c(gate(1)).broken
    assert set(without) <= set(with_one)
    assert all(with_one[name] <= depth for name, depth in without.items())
    assert set(with_one) - set(without)


EDGES = """
machine: edges
scan: 20 ms
inputs: {go: {from: operator}, door: {from: operator}}
outputs: {motor: {}}
sequences:
  main:
    start: stopped
    states:
      stopped: {exits: [{when: go and door, to: running}]}
      running: {on: [motor], exits: [{when: not go, to: slowing}]}
      slowing: {exits: [{after: 40 ms, to: stopped}]}
requirements:
  begins: {never: rising(main.running) and not seen.door}
  begins_by_fault: {never: rising(main.running) and not door}
  ends: {never: falling(main.running) and not (main.slowing or main.stopped)}
  power_ends: {never: falling(main.slowing) and not main.stopped}
  starts: {never: rising(main.stopped) and go}
check: {faults: 1}
"""


@pytest.mark.parametrize("faults", [0, 1])
def test_an_edge_of_a_state_needs_no_memory_and_means_the_same(faults: int) -> None:
    """Asked of a disjunction of it with itself, the memory is kept; breaks and their depths are the same.

    The state that the sequence starts in keeps it always: it rises at power-on.
    """
    told = read_machine_text(EDGES, "edges.yaml").machine
    longer = re.sub(r"(rising|falling)\(([\w.]+)\)", r"\1(\2 or \2)", EDGES)
    kept = read_machine_text(longer, "edges.yaml").machine
    short, long = (close_loop(machine, tick=20, faults=faults) for machine in (told, kept))
    assert [cell.name for cell in short.monitors.cells] == ["watched2.run"]
    assert len(long.monitors.cells) == 3
    assert search_c(short).broken == search_c(long).broken
    assert set(search_c(short).broken) == (
        {"starts"} if not faults else {"starts", "begins_by_fault", "ends", "power_ends"}
    )


def agree(machine: Machine, faults: int) -> None:
    """Every way to search a machine gives the same depths of the same breaks."""

    def loop(**how: bool) -> ClosedLoop:
        return close_loop(machine, tick=machine.scan, faults=faults, **how)

    lazy = search_c(loop(), merge=False)
    merged = search_c(loop(), merge=True, threads=2)
    eager = search_c(loop(lazy=False))
    exact = search_c(loop(exact=True))
    raw = search_c(loop(canonical=False))
    assert merged.depths == lazy.depths
    assert eager.broken == lazy.broken
    assert exact.broken == lazy.broken
    assert raw.broken == lazy.broken
    assert merged.broken == lazy.broken
    # Where inputs are sets, 'forgotten' is a value of its own beside those it stands for (127 keys
    # for 126 on one drawn machine); with a level for every input, dropping can only join.
    assert len(eager.depths) <= len(search_c(loop(lazy=False, canonical=False)).depths)
    cells = loop().key_cells
    controllers = {item.active for item in loop().controller.sequences}
    seen = _projected(set(lazy.depths), cells, controllers)
    for other, how in ((eager, {"lazy": False}), (raw, {"canonical": False}), (exact, {"exact": True})):
        assert _projected(set(other.depths), loop(**how).key_cells, controllers) == seen


def _projected(
    keys: set[tuple[int, ...]], cells: tuple[Cell, ...], wanted: set[Cell]
) -> set[tuple[int, ...]]:
    slots = [i for i, cell in enumerate(cells) if cell in wanted]
    return {tuple(key[i] for i in slots) for key in keys}


@quick(2)
@given(machine=closed_machines(), faults=st.sampled_from((0, 1)))
def test_every_way_to_search_agrees_on_random_machines(machine: Machine, faults: int) -> None:
    """On demand and eager, exact and in sets, canonical and raw, merged and plain, one and two threads."""
    agree(machine, faults)


@pytest.mark.night
@quick(150)
@given(machine=closed_machines(), faults=st.sampled_from((0, 1)))
def test_every_way_to_search_agrees_on_many_random_machines(machine: Machine, faults: int) -> None:
    agree(machine, faults)


# -- C against Python ----------------------------------------------------------------------------


def same_states(loop: ClosedLoop, limit: int = 200_000) -> None:
    try:
        python = search(loop, limit)
    except OverflowError:
        return
    for threads, merge in ((1, False), (2, True)):
        found = search_c(loop, threads=threads, merge=merge)
        assert found.depths == python.depths
        assert found.broken == python.broken


@pytest.mark.parametrize("how", [{}, {"lazy": False}, {"exact": True}, {"canonical": False}])
def test_the_c_engine_reaches_the_very_states_that_python_reaches(how: dict[str, bool]) -> None:
    """Every stored state, its depth, and the first depth of every break."""
    same_states(gate(0, **how))


@quick(3)
@given(machine=closed_machines(), faults=st.sampled_from((0, 1)))
def test_python_and_c_reach_the_same_states_of_random_machines(machine: Machine, faults: int) -> None:
    same_states(close_loop(machine, tick=machine.scan, faults=faults), limit=300)


@pytest.mark.night
@quick(150)
@given(machine=closed_machines(), faults=st.sampled_from((0, 1)))
def test_python_and_c_reach_the_same_states_of_many_random_machines(machine: Machine, faults: int) -> None:
    same_states(close_loop(machine, tick=machine.scan, faults=faults), limit=1500)


def same_choices(loop: ClosedLoop, most: int = 60) -> None:
    """In every state C asks what Python asks, in its order, and comes to the same states.

    C lists one way to each result, Python every way.
    """
    fields = packed_fields(loop)
    runner = LoopRunner(loop)
    with Explorer(quick_build(loop, merge=False), Effort(threads=1, bytes=1 << 30)) as explorer:
        explorer.run()
        for key, _ in sorted(explorer.states())[:most]:

            def step(chooser: Chooser, key: int = key) -> tuple[list[tuple[int, int]], set[int], int]:
                asked: list[tuple[int, int]] = []

                def choose(name: str, count: int) -> int:
                    asked.append((chooser(name, count), count))
                    return asked[-1][0]

                runner.load(unpack(fields, key))
                broken = set(runner.step(choose).broken)
                return asked, broken, pack(fields, runner.key())

            ways = {tuple(asked): (broken, to) for asked, broken, to in leaves(step)}
            steps = explorer.successors(key)
            for item in steps:
                assert ways[tuple(zip(item.picks, item.sizes, strict=True))][1] == item.to
            assert {item.to for item in steps} == {to for _, to in ways.values()}
            events = {event for item in steps for event in item.events if event < explorer.breaks}
            assert events == {index for broken, _ in ways.values() for index in broken}


@pytest.mark.parametrize("how", [{}, {"lazy": False}, {"exact": True}])
def test_c_asks_the_very_choices_that_python_asks(how: dict[str, bool]) -> None:
    same_choices(gate(1, **how), most=25)


@pytest.mark.parametrize(
    "condition",
    ["not a = (b and c)", "a xor (a or not b)", "(b and c) <> (c or a)", "not (a = b) xor held(c, 10 ms)"],
)
def test_the_order_of_choices_inside_a_comparison_is_the_written_one(condition: str) -> None:
    """C leaves the order of operands open; a compiler that takes the other one would be found here."""
    machine = Machine.model_validate({
        "machine": "m", "scan": "10 ms", "inputs": {"a": {}, "b": {}, "c": {}}, "outputs": {"lamp": {}},
        "sequences": {"s": {"start": "x", "states": {
            "x": {"on": ["lamp"], "exits": [{"when": condition, "to": "y"}]},
            "y": {"exits": [{"when": f"not ({condition})", "to": "x"}]},
        }}},
        "requirements": {"r": {"never": f"lamp and ({condition})"}},
    })  # fmt: skip
    same_choices(close_loop(machine, tick=10, faults=0))


@quick(4)
@given(machine=closed_machines(), faults=st.sampled_from((0, 1)))
def test_c_asks_the_very_choices_that_python_asks_on_random_machines(machine: Machine, faults: int) -> None:
    same_choices(close_loop(machine, tick=machine.scan, faults=faults), most=20)


@pytest.mark.night
@quick(200)
@given(machine=closed_machines(parts=2), faults=st.sampled_from((0, 1)))
def test_c_asks_the_very_choices_that_python_asks_on_many_machines(machine: Machine, faults: int) -> None:
    same_choices(close_loop(machine, tick=machine.scan, faults=faults))


def test_linking_takes_as_long_as_the_machine_is_large() -> None:
    """A second for thousands of inputs that are asked for edges; it once took the square of their number."""
    states = {
        f"at_{n}": {"exits": [{"when": f"rising(in_{n})", "to": f"at_{(n + 1) % MANY}"}]} for n in range(MANY)
    }
    machine = Machine.model_validate({
        "machine": "many",
        "scan": "20 ms",
        "inputs": {f"in_{n}": {} for n in range(MANY)},
        "outputs": {"lamp": {}},
        "sequences": {"line": {"start": "at_0", "states": states}},
    })  # fmt: skip
    before = process_time()
    loop = close_loop(machine, tick=20, faults=1, possibility=False)
    assert process_time() - before < 3
    assert len({id(item.history) for item in loop.free}) == 1, "inputs that are alike share their tables"
