"""Sets of times against the explicit search, which lists every situation by itself."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from engine import build_quickly, search_c
from plants_strategy import twenty_machines
from set_points import StoredSets
from stillgate.controller.effort import Effort
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.interlocks.checking import search_plan
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.exploration.search import build_checker
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop
from stillgate.interlocks.loop.interpreter import LoopRunner
from stillgate.interlocks.results.verdict import Word
from stillgate.interlocks.symbolic.engine_abi import Confirmation
from stillgate.interlocks.symbolic.manners import EXACT, WIDEST
from stillgate.interlocks.symbolic.search import SymbolicSearch

MACHINES = Path(__file__).parents[1] / "machines" / "false_verdicts"

MOST_STATES = 20_000


@pytest.fixture(autouse=True)
def quick_compile(monkeypatch: pytest.MonkeyPatch) -> None:
    """Unoptimised, since compiling takes most of the time of these tests."""
    build_quickly(monkeypatch)


def loops_of(text: object) -> list[ClosedLoop]:
    machine = Machine.model_validate(text)
    tick = machine.check.tick or machine.scan
    return [close_loop(machine, tick=tick, faults=faults, possibility=not faults) for faults in (0, 1)]


def compare(loop: ClosedLoop) -> None:
    explicit = search_c(loop)
    if len(explicit.depths) > MOST_STATES:
        return
    goals = {name for name, _ in loop.monitors.goals}
    with SymbolicSearch(loop, manner=EXACT) as search:
        assert search.run().exhausted
        assert set(StoredSets(search).points()) == set(explicit.depths)
        assert set(search.reported()) - goals == set(explicit.broken)
    with SymbolicSearch(loop) as search:
        assert search.run().exhausted
        sets = StoredSets(search)
        assert all(sets.hold(state) for state in explicit.depths) or _has_travels(loop)
        reported = set(search.reported())
        assert set(explicit.broken) <= reported
        for name in reported - goals:
            shown = search.confirm([name])[name]
            assert (shown.found is Confirmation.CONFIRMED) == (name in explicit.broken)
            assert shown.ticks is None or shown.ticks >= explicit.broken[name]


def _has_travels(loop: ClosedLoop) -> bool:
    """A kept travel holds wider values in place of the explicit ones, so points cannot be looked up."""
    return any(clock.stops for clock in loop.clocks)


@pytest.mark.parametrize("chunk", range(1))
def test_exact_sets_hold_the_very_situations_and_wide_ones_miss_no_break(chunk: int) -> None:
    for text in twenty_machines(chunk)[:8]:
        for loop in loops_of(text):
            compare(loop)


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(60))
def test_exact_sets_and_explicit_states_agree_on_many_machines(chunk: int) -> None:
    for text in twenty_machines(chunk):
        for loop in loops_of(text):
            compare(loop)


COUNTING = """
machine: counting
scan: 10 ms
inputs: {go: {from: operator}}
memory: {n: {range: 0..200}}
sequences:
  q:
    start: a
    states:
      a: {exits: [{when: go and n < 200, to: a, do: {n: n + 1}}, {when: n = 150, to: b, after: 30 ms}]}
      b: {end: true}
requirements:
  never_b: {never: q.b}
  never_full: {never: n = 200 and q.b}
check: {faults: 0}
"""


def test_counting_on_a_loop_is_followed_and_not_leapt_over() -> None:
    loop = loops_of_text(COUNTING)
    compare(loop)
    with SymbolicSearch(loop) as search:
        search.run()
        assert search.confirm(["never_b"])["never_b"].found is Confirmation.CONFIRMED
        assert (
            search.confirm(["never_full"])["never_full"].found is Confirmation.IMPOSSIBLE
            or "never_full" not in search.reported()
        )


NESTED = """
machine: nested_counting
scan: 10 ms
inputs: {go: {from: operator}, stop: {from: operator}}
memory: {n: {range: 0..24}, m: {range: 0..10}}
sequences:
  q:
    start: rest
    states:
      rest:
        exits:
          - {when: m = 10, to: full}
          - {when: rising(go) and n < 24, to: work}
          - {when: n = 24, to: rest, do: {n: 0, m: m + 1}}
      work: {exits: [{when: stop, to: rest, do: {n: 0}}, {after: 2 s, to: rest, do: {n: n + 1}}]}
      full: {end: true}
requirements:
  can_fill: {reach: q.full}
check: {faults: 0}
"""


def test_a_run_of_two_hundred_and_forty_rounds_is_found() -> None:
    machine = read_machine_text(NESTED, "machine.yaml").machine
    loop = close_loop(machine, tick=10, faults=0, possibility=True)
    with SymbolicSearch(loop) as search:
        search.run()
        shown = search.confirm(["can_fill"], deployed=lambda: build_checker(loop))["can_fill"]
        assert shown.found is Confirmation.CONFIRMED
        assert shown.ticks is not None
        assert shown.ticks > 240 * 200


TRAP = """
machine: trap
scan: 10 ms
inputs: {go: {from: operator}, jam: {}}
sequences:
  q:
    start: rest
    states:
      rest: {exits: [{when: rising(go), to: work}]}
      work: {exits: [{when: jam, to: stuck}, {after: 600 s, to: rest}]}
      stuck: {}
  clock:
    start: one
    states: {one: {exits: [{after: 700 s, to: two}]}, two: {exits: [{after: 900 s, to: one}]}}
requirements:
  back_to_work: {from_anywhere: q.work}
  can_work: {reach: q.work}
  not_yet: {never: clock.two and q.rest and go and not go}
check: {faults: 0}
"""


def test_what_is_found_after_a_known_run_is_a_run_from_power_on() -> None:
    """Random runs of random machines, and an exact search from where each ends: every break that it finds is
    one that the search of single situations knows, and most of them are found from most runs."""
    found = known = 0
    for text in twenty_machines(0)[:6]:
        for loop in loops_of(text):
            explicit = search_c(loop)
            if len(explicit.depths) > MOST_STATES or not explicit.broken:
                continue
            goals = {name for name, _ in loop.monitors.goals}
            with SymbolicSearch(loop) as search:
                assert search.run().exhausted
                names = set(search.reported()) - goals
                for seed in range(3):
                    dice = random.Random(seed)
                    run = [lambda _, count, dice=dice: dice.randrange(count) for _ in range(1 + 10 * seed)]
                    shown = search.confirm_after(names, run, most=20_000)
                    assert shown.keys() <= set(explicit.broken)
                    for item in shown.values():
                        assert item.path is not None
                        assert item.ticks == len(item.path.choices) >= 10 * seed + 1
                    found += len(shown)
                    known += len(explicit.broken)
    assert found > known / 2


def test_a_goal_that_can_be_reached_is_not_one_that_can_be_reached_from_anywhere(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(search_plan, "FEW", 1000)
    monkeypatch.setattr(search_plan, "MANY", 1000)
    result = check(read_machine_text(TRAP, "machine.yaml"), use_cache=False)
    verdicts = {item.name: item.verdict for item in result.requirements}
    part = result.exploration[0].slices[0]
    assert part.requirements == ("back_to_work", "can_work")
    assert part.exploration.sets is not None
    assert verdicts["can_work"] is Word.HOLDS
    assert verdicts["back_to_work"] is not Word.HOLDS


def loops_of_text(text: str) -> ClosedLoop:
    machine = read_machine_text(text, "machine.yaml").machine
    return close_loop(machine, tick=machine.scan, faults=0, possibility=False)


LONG = """
machine: long_times
scan: 10 ms
inputs: {go: {from: operator}, home: {}, guard: {contact: normally_closed}}
outputs: {out: {}, back: {}}
parts:
  ram:
    kind: travel
    stops: [in, out]
    forward: out
    back: back
    takes: 4..6 s
    starts: in
    senses: {home: at in}
sequences:
  q:
    start: rest
    states:
      rest: {exits: [{when: rising(go) and guard, to: push}]}
      push: {on: [out], exits: [{when: not guard, to: rest}, {after: FACTOR s, to: pull}]}
      pull: {on: [back], exits: [{when: home, to: rest}, {after: FACTOR s, to: rest}]}
requirements:
  one_way: {never: out and back}
  no_long_push: {never: 'held(out, FACTOR s)'}
  guarded: {after: not guard, then: not out, within: 100 ms}
  arrives: {after: rising(back), then: home or not back, within: 20 s}
check: {faults: 1}
"""


@pytest.mark.parametrize("faults", [0, 1])
def test_the_number_of_sets_does_not_depend_on_how_long_times_are(faults: int) -> None:
    counts = []
    for factor in (8, 80):
        machine = read_machine_text(LONG.replace("FACTOR", str(factor)), "machine.yaml").machine
        loop = close_loop(machine, tick=10, faults=faults, possibility=False)
        with SymbolicSearch(loop) as search:
            found = search.run()
            assert found.exhausted
            counts.append(found.sets)
    assert counts[1] <= counts[0] * 1.2


def test_runs_at_real_times_never_leave_the_sets() -> None:
    """Random runs of the loop's own statements, thousands of ticks long, with choices that seldom change."""
    machine = read_machine_text(LONG.replace("FACTOR", "8"), "machine.yaml").machine
    loop = close_loop(machine, tick=10, faults=1, possibility=False)
    with SymbolicSearch(loop, manner=WIDEST) as search:
        search.run()
        wide = StoredSets(search)
    travels = [i for i, cell in enumerate(wide.cells) if any(c.cell == cell and c.stops for c in loop.clocks)]
    for seed in range(3):
        draw = random.Random(seed)
        runner = LoopRunner(loop)
        runner.begin(lambda name, count: draw.randrange(count))  # noqa: B023
        kept: dict[str, int] = {}

        def choose(name: str, count: int) -> int:
            if name not in kept or kept[name] >= count or draw.random() < 0.01:  # noqa: B023
                kept[name] = draw.randrange(count)  # noqa: B023
            return 0 if name == "fault" and draw.random() < 0.999 else kept[name]  # noqa: B023

        for _ in range(1500):
            runner.step(choose)
            state = runner.key()
            assert wide.hold(state) or any(state[i] for i in travels)


def test_timers_of_minutes_beside_each_other_do_not_multiply() -> None:
    """Ten-minute timers in three sequences: hopeless one situation at a time."""
    machine = read_machine(MACHINES / "unrelated_timers.yaml").machine
    loop = close_loop(machine, tick=machine.scan, faults=0, possibility=False)
    with SymbolicSearch(loop) as search:
        found = search.run()
        assert found.exhausted
        assert found.sets < 2000
        assert search.reported() == ()


def test_a_search_that_may_not_use_memory_is_not_exhausted() -> None:
    machine = read_machine(MACHINES / "unrelated_timers.yaml").machine
    loop = close_loop(machine, tick=machine.scan, faults=1, possibility=False)
    with SymbolicSearch(loop, effort=Effort(bytes=1 << 21)) as search:
        found = search.run()
    assert not found.exhausted
    assert found.stopped_by == "memory cap"


@pytest.mark.parametrize("faults", [0, 1])
def test_what_is_found_does_not_depend_on_the_number_of_threads(faults: int) -> None:
    machine = read_machine_text(LONG.replace("FACTOR", "8"), "machine.yaml").machine
    loop = close_loop(machine, tick=10, faults=faults, possibility=False)
    found = []
    for threads in (1, 2, 5):
        with SymbolicSearch(loop, effort=Effort(threads=threads)) as search:
            summary = search.run()
            assert summary.exhausted
            found.append((summary.sets, summary.steps, search.reported(), list(search.stored())))
    assert found[0] == found[1] == found[2]


def test_two_searches_of_one_library_do_not_meet() -> None:
    loop = loops_of_text(COUNTING)
    with SymbolicSearch(loop) as first, SymbolicSearch(loop) as second:
        assert first.run().exhausted
        assert second.reported() == ()
        assert second.run().sets == len(list(first.stored()))
