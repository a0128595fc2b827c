"""Machines with their real times, at their own scan: what a check costs, and what times add.

Ratios are of searches over sets of times that run one after the other, without building: the same machine
with all times ten times as long again, at a scan of 5 ms, with ten times the bunches and rails, and with a
timer of an hour beside it. Each is searched in the slices that a check searches, all of them taken together;
only the timer makes more than one. The number of sets depends on nothing but the machine; the time is the
least of some rounds.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop
from stillgate.interlocks.results.verdict import CheckResult, Word
from stillgate.interlocks.slicing.slice_groups import sliced
from stillgate.interlocks.symbolic.lowering_for_sets import loop_for_sets
from stillgate.interlocks.symbolic.search import SymbolicSearch

from .commands import run_command
from .figures import Figure, at_least, at_most
from .scaled import DEMO, MACHINES, REAL, scaled

SPLITTER = MACHINES / "log_splitter.yaml"

HOUR = """sequences:
  hour:
    start: counting
    states: {counting: {exits: [{after: 3600 s, to: told}]}, told: {exits: [{after: 3600 s, to: counting}]}}
"""


@dataclass(frozen=True, slots=True)
class Sets:
    """Finished searches over sets without faults."""

    sets: int
    seconds: float


def measure(rounds: int = 3) -> tuple[list[Figure], list[str]]:
    """Figures of the demo with real times and of a splitter.

    Args:
        rounds: how often a search is repeated for its ratio.

    Raises:
        AssertionError: if a search does not come to its end.
    """
    figures = [*_checks(), *_ratios(rounds), *_today()]
    notes = [
        f"the demo with all times x 10, 24 bunches, 10 rails, at 20 ms: {REAL.name}; a splitter with strokes "
        f"of 4 to 6 s at 10 ms: {SPLITTER.name}",
        "checks are whole commands with an empty cache, compilers included",
    ]
    return figures, notes


def _checks() -> list[Figure]:
    figures: list[Figure] = []
    for name, file, faults, seconds in (
        ("demo, real times, no fault", REAL, 0, 10),
        ("demo, real times, one fault", REAL, 1, 60),
        ("splitter, one fault", SPLITTER, 1, 30),
    ):
        with tempfile.TemporaryDirectory() as folder:
            cache = Path(folder) / "cache"
            cache.mkdir(mode=0o700)
            run = run_command(["check", str(file), "--faults", str(faults)], cache)
        figures.append(at_most(f"{name}: seconds", run.seconds, seconds, "s"))
        figures.append(Figure(f"{name}: processor", f"{run.processor:.3g} s"))
        figures.append(at_most(f"{name}: memory", run.peak_bytes / 2**30, 2, "GiB"))
        figures.append(_decided(name, check(read_machine(file), faults=faults)))
    return figures


def _decided(name: str, result: CheckResult) -> Figure:
    judgements = [item for requirement in result.requirements for item in requirement.judgements]
    decided = sum(item.word is not Word.UNDECIDED for item in judgements)
    return at_least(f"{name}: decided of {len(judgements)}", decided, len(judgements), "answers")


def _ratios(rounds: int) -> list[Figure]:
    text = DEMO.read_text(encoding="utf-8")
    plain = scaled(text, times=10, bunches=24, rails=10)
    others = {
        "times x 10 again": scaled(text, times=100, bunches=24, rails=10),
        "scan 5 ms": scaled(text, times=10, bunches=24, rails=10, scan=5),
        "bunches and rails x 10": scaled(text, times=10, bunches=240, rails=100),
        "an hour's timer": plain.replace("sequences:\n", HOUR, 1),
    }
    base = _sets(plain, rounds)
    figures = [Figure("demo, real times: sets", f"{base.sets:,}")]
    for name, other in others.items():
        found = _sets(other, rounds)
        if name == "an hour's timer":
            figures.append(at_most(f"{name}: time", found.seconds / base.seconds, 1.1, "times"))
            continue
        figures.append(at_most(f"{name}: sets", found.sets / base.sets, 1.2, "times"))
        figures.append(at_most(f"{name}: time", found.seconds / base.seconds, 1.5, "times"))
    return figures


def _sets(text: str, rounds: int) -> Sets:
    machine = read_machine_text(text, "machine.yaml").machine
    whole = close_loop(machine, tick=machine.scan, faults=0, exact=True)
    loops = [loop_for_sets(loop) for loop in [item.loop for item in sliced(whole)] or [whole]]
    return min((_all_of(loops) for _ in range(rounds)), key=lambda item: item.seconds)


def _all_of(loops: list[ClosedLoop]) -> Sets:
    sets, seconds = 0, 0.0
    for loop in loops:
        with SymbolicSearch(loop) as search:
            summary = search.run()
            assert summary.exhausted
            sets, seconds = sets + summary.sets, seconds + summary.seconds
    return Sets(sets, seconds)


def _today() -> list[Figure]:
    """Today's demo at 100 ms: the check against its search of single situations alone."""
    document = read_machine(DEMO)
    ways = {}
    for name, most in (("single situations alone", 10**9), ("the check", None)):
        result = check(document, max_states=most, use_cache=False)
        ways[name] = sum(item.all_seconds for item in result.exploration)
    ratio = ways["the check"] / ways["single situations alone"]
    return [at_most("today's demo at 100 ms: against single situations alone", ratio, 1.1, "times")]
