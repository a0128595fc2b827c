"""Single steps of the deployed C never lead out of the stored sets, however long a machine's times are."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from engine import build_quickly
from plants_strategy import CHUNK, twenty_machines
from stillgate.controller.errors import ProgramFault
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.interlocks.checking import search_plan
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.exploration.search import build_checker
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop
from stillgate.interlocks.results.verdict import Word
from stillgate.interlocks.symbolic.deployed_points import compare_with_deployed
from stillgate.interlocks.symbolic.lowering_for_sets import loop_for_sets
from stillgate.interlocks.symbolic.search import SymbolicSearch

SPLITTER = Path(__file__).parents[2] / "benchmarks" / "machines" / "log_splitter.yaml"

MOST_SETS = 200_000
"""Sets beyond which a random machine is left."""


@pytest.fixture(autouse=True)
def quick_compile(monkeypatch: pytest.MonkeyPatch) -> None:
    """Unoptimised, since compiling takes most of the time of these tests."""
    build_quickly(monkeypatch)


def with_long_times(text: dict[str, object], seed: int) -> dict[str, object]:
    """A machine file with its times of some ticks made thousands or more, each by a factor of its own."""
    chance = random.Random(seed)
    check, scan = text.pop("check"), text.pop("scan")

    def longer(found: re.Match[str]) -> str:
        factor = int(10 ** chance.uniform(2.5, 4.3))
        parts = [int(part) * factor + chance.randrange(40) for part in found[1].split("..")]
        return "..".join(map(str, sorted(parts))) + " ms"

    longer_text = json.loads(re.sub(r"\b(\d+(?:\.\.\d+)?) ms", longer, json.dumps(text)))
    faults = check["faults"] if isinstance(check, dict) else 0
    return {**longer_text, "scan": scan, "check": {"faults": faults}}


def points_of(loop: ClosedLoop, most: int, deployed: ClosedLoop | None = None) -> int:
    """Compares a loop's sets with the deployed controller, or with that of another loop."""
    loop = loop_for_sets(loop)
    with SymbolicSearch(loop) as search:
        search.effort = search.effort.within(5)
        found = search.run()
        if not found.exhausted or found.sets > MOST_SETS:
            return 0
        return compare_with_deployed(search, found.keys, build_checker(deployed or loop), most)


def loops_of(text: dict[str, object]) -> Iterator[ClosedLoop]:
    machine = Machine.model_validate(text)
    for faults in (0, 1):
        yield close_loop(machine, tick=machine.scan, faults=faults, possibility=not faults)


def test_from_points_of_the_sets_of_random_machines_no_step_leads_out() -> None:
    points = [points_of(loop, 400) for text in twenty_machines(0)[:6] for loop in loops_of(text)]
    assert sum(count > 0 for count in points) >= 10


def test_however_long_times_are_no_step_of_the_deployed_c_leads_out() -> None:
    """The second machine has more sets than there is time for here."""
    points = [
        points_of(loop, 400)
        for number, text in enumerate(twenty_machines(1)[:6])
        for loop in loops_of(with_long_times(text, number))
        if number != 1
    ]
    assert sum(count > 0 for count in points) >= 8


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(50))
def test_in_a_thousand_machines_of_long_times_no_step_leads_out(chunk: int) -> None:
    points = [
        points_of(loop, 2000)
        for number, text in enumerate(twenty_machines(chunk))
        for loop in loops_of(with_long_times(text, number))
    ]
    assert sum(count > 0 for count in points) >= CHUNK


TIMES = """
machine: times
scan: 10 ms
inputs: {go: {from: operator, debounce: 70 ms}, home: {}, guard: {contact: normally_closed}}
outputs: {out: {}, back: {}}
memory: {n: {range: 0..9}}
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
      rest:
        exits:
          - {when: go and guard and n < 7, to: push, do: {n: n + 1}}
          - {when: n >= 7, to: rest, do: {n: 0}}
      push: {on: [out], exits: [{when: not guard, to: rest}, {after: 3 s, to: pull}]}
      pull: {on: [back], exits: [{when: 'held(home, 500 ms)', to: rest}, {after: 9 s, to: rest}]}
requirements:
  pulled: {after: rising(back), then: home or not back, within: 5 s}
check: {faults: 0}
"""

OTHER_TIMES = {
    "a time in a state": ("after: 3 s", "after: 2990 ms"),
    "a debounce": ("debounce: 70 ms", "debounce: 60 ms"),
    "a travel": ("4..6 s", "3990..6000 ms"),
    "the latest of a travel": ("4..6 s", "4000..6010 ms"),
    "how long something held": ("home, 500 ms", "home, 510 ms"),
    "the time of a requirement": ("within: 5 s", "within: 4990 ms"),
    "a limit of a counter": ("n < 7", "n < 8"),
}


def loop_of(text: str) -> ClosedLoop:
    machine = read_machine_text(text, "machine.yaml").machine
    return close_loop(machine, tick=10, faults=0, possibility=False)


def test_the_deployed_c_of_the_same_machine_stays_in_the_sets() -> None:
    assert points_of(loop_of(TIMES), 20_000) == 20_000


@pytest.mark.parametrize("name", OTHER_TIMES)
def test_a_time_that_is_a_tick_longer_or_shorter_in_the_deployed_c_is_met(name: str) -> None:
    """With either of the two in the sets: one leads out of the other's."""
    here, there = OTHER_TIMES[name]
    assert here in TIMES
    one, other = loop_of(TIMES), loop_of(TIMES.replace(here, there))
    met = 0
    for sets, deployed in ((one, other), (other, one)):
        try:
            points_of(sets, 20_000, deployed)
        except ProgramFault as found:
            met += "leads out of the stored sets" in str(found) or "outside the packed state" in str(found)
    assert met


def test_a_check_in_sets_says_at_how_many_points_it_was_compared(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(search_plan, "FEW", 1000)
    result = check(read_machine(SPLITTER), faults=0, use_cache=False)
    assert Word.UNDECIDED not in {item.verdict for item in result.requirements}
    whole = result.exploration[0]
    searches = [item.sets for item in (whole, *(part.exploration for part in whole.slices)) if item.sets]
    assert searches
    assert {item.points for item in searches} == {10_000}
