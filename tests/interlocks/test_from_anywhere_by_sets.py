"""``from_anywhere`` over sets of times, against every situation listed by itself."""

from __future__ import annotations

from importlib import import_module
from typing import Any

import pytest

from engine import build_quickly, checked
from plants_strategy import twenty_machines
from set_points import StoredSets
from stillgate.controller.effort import Effort
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop
from stillgate.interlocks.results.verdict import Judgement, Word
from stillgate.interlocks.symbolic.engine_abi import Growth
from stillgate.interlocks.symbolic.from_anywhere import MANNERS, Ways, ways_to
from stillgate.interlocks.symbolic.lowering_for_sets import loop_for_sets
from stillgate.interlocks.symbolic.manners import EXACT
from stillgate.interlocks.symbolic.search import SymbolicSearch
from ways_search import cut_off

MOST_SITUATIONS = 3_000

ONE_THREAD = Effort(threads=1)


@pytest.fixture(autouse=True)
def quick_compile(monkeypatch: pytest.MonkeyPatch) -> None:
    """Unoptimised, since compiling takes most of the time of these tests."""
    build_quickly(monkeypatch)


def loop_of(text: str) -> ClosedLoop:
    return loop_of_machine(read_machine_text(text, "machine.yaml").machine)


def loop_of_machine(machine: Machine) -> ClosedLoop:
    tick = machine.check.tick or machine.scan
    return loop_for_sets(close_loop(machine, tick=tick, faults=0, exact=True))


def with_every_goal(text: dict[str, Any]) -> Machine:
    """A machine that asks of each of its states and outputs whether it stays possible, and nothing else."""
    goals = [f"{name}.{state}" for name, body in text["sequences"].items() for state in body["states"]]
    for output in text["outputs"]:
        goals += [f"rising({output})", f"not {output}", f"held({output}, 30 ms)"]
    asked = {f"goal_{number}": {"from_anywhere": goal} for number, goal in enumerate(goals)}
    return Machine.model_validate(text | {"requirements": asked})


def agree(loop: ClosedLoop) -> set[Ways]:
    """Exact sets leave over the very situations that are cut off; wide ones leave each of them over, wherever
    they hold it, and come to the same verdict."""
    known, lost = cut_off(loop, MOST_SITUATIONS)
    with SymbolicSearch(loop, manner=EXACT, effort=ONE_THREAD) as search:
        assert search.run().exhausted
        for name, situations in lost.items():
            everywhere = search.leads_to(name).everywhere
            assert set(StoredSets(search, search.rests()).points()) == situations, name
            assert everywhere == (not situations)
    found: set[Ways] = set()
    for manner in MANNERS[:1]:
        with SymbolicSearch(loop, manner=manner, effort=ONE_THREAD) as search:
            assert search.run().exhausted
            sets = StoredSets(search)
            assert all(sets.hold(situation) for situation in known)
            for name, situations in lost.items():
                answer = ways_to(search, name)
                rests = StoredSets(search, search.rests())
                assert all(rests.count(lost) == sets.count(lost) for lost in situations), name
                assert answer.ways is (Ways.CUT_OFF if situations else Ways.EVERYWHERE), name
                found.add(answer.ways)
    return found


def test_sets_agree_with_every_situation_on_random_machines() -> None:
    for text in twenty_machines(0)[:4]:
        agree(loop_of_machine(with_every_goal(text)))


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(40))
def test_sets_agree_with_every_situation_on_many_machines(chunk: int) -> None:
    for text in twenty_machines(chunk):
        try:
            agree(loop_of_machine(with_every_goal(text)))
        except OverflowError:
            continue


HEAD = """
machine: ways
scan: 10 ms
inputs: {go: {from: operator}, drop: {from: operator, debounce: 50 ms}, home: {}, out_there: {}}
outputs: {push: {}, pull: {}}
"""

TRAP = """
sequences:
  q:
    start: rest
    states:
      rest: {exits: [{when: go, to: work}]}
      work: {exits: [{after: 200 ms, when: go, to: stuck}, {when: not go, to: rest}]}
      stuck: {end: true}
requirements:
  back: {from_anywhere: q.rest}
  end: {from_anywhere: q.stuck}
  quick: {from_anywhere: rising(q.work)}
"""

WINDOW = """
sequences:
  q:
    start: wait
    states:
      wait:
        exits:
          - {after: 300 ms, when: home, to: lost}
          - {after: 200 ms, when: go, to: done}
          - {after: 100 ms, when: shield.gone, to: lost}
      done: {end: true}
      lost: {end: true}
  shield:
    start: there
    states:
      there: {exits: [{when: drop, to: gone}]}
      gone: {end: true}
requirements: {done: {from_anywhere: q.done}, either: {from_anywhere: q.done or q.lost}}
"""

COUNTER = """
memory: {left: {range: 0..6, start: 6}}
sequences:
  q:
    start: rest
    states:
      rest: {exits: [{when: go and left > 0, to: work, do: {left: left - 1}}]}
      work: {exits: [{after: 30 ms, when: left = 1, to: rest, do: {left: left + 2}},
         {after: 50 ms, to: rest}]}
requirements:
  works: {from_anywhere: q.work}
  empty: {from_anywhere: left = 0}
  full: {from_anywhere: left = 6}
"""

TRAVEL = """
parts:
  ram:
    kind: travel
    stops: [in, out]
    forward: push
    back: pull
    takes: 60..90 ms
    takes_back: 30..120 ms
    starts: in
    senses: {home: at in, out_there: at out}
sequences:
  q:
    start: rest
    states:
      rest: {exits: [{when: go, to: push}]}
      push: {on: [push], exits: [{when: drop, to: END}, {when: out_there or not go, to: pull}]}
      pull: {on: [pull], exits: [{when: home, to: rest}, {after: 80 ms, to: late}]}
      late: {exits: [{when: rising(go), to: pull}]}
      over: {end: true}
requirements:
  home: {from_anywhere: home}
  out: {from_anywhere: out_there}
  late: {from_anywhere: q.late}
  pushes: {from_anywhere: 'held(push, 50 ms)'}
"""


@pytest.mark.parametrize(
    ("body", "ways"),
    [
        (TRAP, {Ways.CUT_OFF, Ways.EVERYWHERE}),
        (WINDOW, {Ways.CUT_OFF, Ways.EVERYWHERE}),
        (COUNTER, {Ways.CUT_OFF, Ways.EVERYWHERE}),
        (TRAVEL.replace("END", "over"), {Ways.CUT_OFF}),
        (TRAVEL.replace("END", "late"), {Ways.EVERYWHERE}),
    ],
    ids=["trap", "window", "counter", "stops_for_good", "turns_round"],
)
def test_sets_agree_with_every_situation_where_some_are_lost_for_good(body: str, ways: set[Ways]) -> None:
    assert agree(loop_of(HEAD + body)) == ways


def grown(loop: ClosedLoop, name: str) -> Growth:
    with SymbolicSearch(loop, manner=MANNERS[0], effort=ONE_THREAD) as search:
        assert search.run().exhausted
        return search.leads_to(name)


def test_the_number_of_pieces_does_not_depend_on_how_long_times_are() -> None:
    short = grown(loop_of(HEAD + TRAVEL.replace("END", "late")), "home")
    body = TRAVEL.replace("END", "late").replace("0 ms", "000 ms")
    long = grown(loop_of(HEAD + body), "home")
    assert short.everywhere and long.everywhere
    assert long.transitions <= short.transitions * 1.2
    assert long.pieces <= short.pieces * 1.5


def test_little_memory_leaves_it_undecided() -> None:
    loop = loop_of(HEAD + TRAVEL.replace("END", "late"))
    with SymbolicSearch(loop, manner=MANNERS[0], effort=ONE_THREAD) as search:
        assert search.run().exhausted
        search.effort = Effort(threads=1, bytes=3 << 20)
        assert search.leads_to("home").everywhere is None


def test_goals_are_told_apart_in_a_loop_that_nothing_can_break() -> None:
    loop = loop_of(
        HEAD + TRAP.replace("from_anywhere", "reach").replace("rising(q.work)", "q.rest and q.work")
    )
    with SymbolicSearch(loop, effort=ONE_THREAD) as search:
        assert search.run().exhausted
        assert set(search.reported()) == {"back", "end"}


# -- the check ------------------------------------------------------------------------------------


def judged(text: str, monkeypatch: pytest.MonkeyPatch) -> dict[str, Judgement]:
    """Judgements of a check that tries sets after ten situations."""
    monkeypatch.setattr(import_module("stillgate.interlocks.checking.search_plan"), "FEW", 10)
    result = checked(text + "check: {faults: 0}\n", threads=1, use_cache=False)
    (exploration,) = result.exploration
    assert exploration.sets is not None, "single situations were enough"
    return {item.name: item.judgements[0] for item in result.requirements}


def test_a_check_tells_a_run_into_the_situation_without_a_way(monkeypatch: pytest.MonkeyPatch) -> None:
    """To see the goal somewhere is not enough: that it can be reached says nothing of every situation."""
    found = judged(HEAD + TRAP.replace("200 ms", "2 s"), monkeypatch)
    assert {name: item.word for name, item in found.items()} == {
        "back": Word.BROKEN,
        "end": Word.HOLDS,
        "quick": Word.BROKEN,
    }
    lost = found["back"]
    assert lost.story is not None
    assert lost.depth == lost.story.ticks == 201
    assert lost.story.headline.startswith(
        "back is broken: 2.01 s after power-on no way leads to q.rest any more"
    )
    assert dict(lost.story.steps[-1].states) == {"q": "stuck"}
    assert lost.reason.startswith("all that can follow lies in sets of situations without a way there (")


def test_a_situation_without_a_way_at_power_on_has_no_story(monkeypatch: pytest.MonkeyPatch) -> None:
    text = HEAD + TRAP.replace("200 ms", "2 s").replace("rising(q.work)", "q.rest and q.work")
    lost = judged(text, monkeypatch)["quick"]
    assert (lost.word, lost.depth, lost.story) == (Word.BROKEN, 0, None)
    assert lost.reason.endswith("from power-on on")
