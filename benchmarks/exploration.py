"""Exploration with all single faults: the C engine, plain Python and numba on the same machine.

All search the same states breadth first; the number of states at every depth that more than
one of them completed is compared, and a difference is an error. What they enumerate differs:

* the rivals visit a transition for every vector of choices (what the inputs do, which fault
  begins, how the parts move);
* the engine visits one for every different outcome of a scan and every motion of the parts,
  since it merges choice vectors that come to the same and keeps outcomes (segments.h).

So a *transition* is here what a plain search calls one: a vector of choices. numba's search, which comes
to its end, counts them, and the engine has covered every one of them when it has come to its own end with
the same states. That gives transitions a second of both sides in one unit, and the ratios with a target.
Printed beside it, without a target:

* *steps*: what the engine itself counts, with merged choices as one;
* *the same work*: states a second whose successors were all found. Where a rival ran out of time, it is
  of the states near the start.

A stored state is an entry of the engine's table. A free input's level in a tick is no part of
it: every combination of levels is tried from every state and none of them is counted. What the
controller remembers of free inputs is in it as a set of possible memories (``free_inputs``); the
notes say how many inputs have more than one such set, so that a reader knows whether an entry
stands for one situation or for several.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from stillgate.controller.effort import Effort
from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.exploration.explorer import Explorer, SearchOutcome, Status
from stillgate.interlocks.exploration.search import build_checker
from stillgate.interlocks.loop.closed_loop import ClosedLoop, close_loop

from .figures import Figure, Timed, at_least, at_most, median
from .rivals import DictSearch, NumbaSearch, Visited

_ROUNDS = 3
_LONG = 20.0  # seconds; a search that takes longer is run once only
_DICT_SECONDS = 20.0
_NUMBA_SECONDS = 900.0  # it gets to some 240,000 states in 60 s, and must come to its end to count
_ENGINE_SECONDS = 120.0


def measure(machine: Machine) -> tuple[list[Figure], list[str]]:
    """Figures of one machine, at its tick, with all single faults.

    Raises:
        AssertionError: if two searches did not find the same states.
    """
    tick = machine.check.tick or machine.scan
    loop = close_loop(machine, tick=tick, faults=1, possibility=False)
    library = build_checker(loop)
    engine: dict[int, list[tuple[SearchOutcome, Timed]]] = {2: [], 1: []}
    for threads in (2, 1):
        engine[threads].append(_engine(library, threads))
    states = engine[2][0][0].states
    rounds = 0 if engine[2][0][1].wall > _LONG else _ROUNDS
    rivals: dict[str, list[Visited]] = {"plain Python": [], "numba": []}
    numba: NumbaSearch | None = None
    with suppress(ImportError):
        numba = NumbaSearch(loop, states + 1)
    for _ in range(rounds):
        for threads in (2, 1):
            engine[threads].append(_engine(library, threads))
    if numba is not None:
        rivals["numba"].append(numba.run(_NUMBA_SECONDS))
    rivals["plain Python"].append(DictSearch(loop).run(_DICT_SECONDS))
    _compare(engine[2][0][0], [item for items in rivals.values() for item in items])
    notes = [
        f"{machine.machine} at {tick} ms, one fault; medians of {rounds + 1} runs of the engine, "
        "one of numba, one of Python",
        "a stored state is an entry of the table; " + _remembered(loop),
        "a transition is a vector of choices (what inputs do, which fault begins, how parts move), as the "
        "rivals enumerate them; the engine merges those that come to the same, and its steps are fewer",
        "'the same work' divides states a second whose successors were all found",
        "the number of states at each depth is the same in all of them as far as they went",
    ]
    for threads, runs in engine.items():
        if runs[0][0].status is not Status.COMPLETE:
            notes.append(f"the engine with {threads} threads was stopped by its {runs[0][0].status.words}")
    for who, visits in rivals.items():
        if visits and not visits[-1].complete:
            notes.append(f"{who} got to {visits[-1].states:,} states in the time it was given")
    if numba is not None:
        notes.append(f"numba took {numba.compile_seconds:.0f} s to compile, which is not counted")
    return _figures(engine, rivals), notes


def _remembered(loop: ClosedLoop) -> str:
    """Whether an entry of the table may stand for more than one situation."""
    several = sum(any(len(belief) > 1 for belief in item.history.beliefs) for item in loop.free)
    if not several:
        return (
            f"as nothing is remembered of its {len(loop.free)} free inputs from tick to tick, one situation"
        )
    return (
        f"of {several} of {len(loop.free)} free inputs it holds a set of possible memories, so it may stand "
        "for several situations, which are not counted"
    )


def _engine(library: Path, threads: int) -> tuple[SearchOutcome, Timed]:
    before = time.process_time()
    with Explorer(library, Effort(threads=threads).within(_ENGINE_SECONDS)) as explorer:
        outcome = explorer.run()
        return outcome, Timed(outcome.seconds, time.process_time() - before)


def _compare(outcome: SearchOutcome, visits: Sequence[Visited]) -> None:
    """The states at each depth, as far as both completed them."""
    whole = outcome.sizes if outcome.status is Status.COMPLETE else outcome.sizes[: outcome.levels]
    for visited in visits:
        common = min(len(whole), len(visited.sizes))
        assert visited.sizes[:common] == whole[:common], "two searches found different states"
        if visited.complete and outcome.status is Status.COMPLETE:
            assert visited.states == outcome.states, "two searches found different states"


def _figures(
    engine: dict[int, list[tuple[SearchOutcome, Timed]]], rivals: dict[str, list[Visited]]
) -> list[Figure]:
    figures: list[Figure] = []
    covered = _vectors(rivals["numba"])
    for threads, runs in engine.items():
        outcome, took = runs[0][0], median([item for _, item in runs])
        who = f"engine, {threads} thread{'s' if threads > 1 else ''}"
        if threads == 2:
            figures.append(Figure("states stored", f"{outcome.states:,}"))
            figures.append(Figure("depth", f"{outcome.levels} ticks"))
            rate = outcome.states / took.wall / 1e6
            figures.append(at_least(f"{who}: states", rate, 10, "million/s"))
            figures.append(at_most("memory a stored state", outcome.bytes_per_state, 16, "bytes"))
        else:
            figures.append(Figure(f"{who}: states", f"{outcome.states / took.wall / 1e6:.3g} million/s"))
        if covered is not None:
            of_each = f"{covered / outcome.states:.1f} a state"
            figures.append(
                Figure(f"{who}: transitions ({of_each})", f"{covered / took.wall / 1e6:.3g} million/s")
            )
        steps = f"{outcome.transitions / outcome.states:.1f} a state"
        figures.append(
            Figure(f"{who}: steps ({steps})", f"{outcome.transitions / took.wall / 1e6:.3g} million/s")
        )
        figures.append(
            Figure(f"{who}: processor time a step", f"{took.processor / outcome.transitions * 1e9:.3g} ns")
        )
    for who, target in (("plain Python", 250), ("numba", 2)):
        if not rivals[who] or covered is None:
            why = "did not come to its end" if rivals["numba"] else "not installed"
            figures.append(Figure(f"against {who}", f"numba {why}", f">= {target}", False))
        if rivals[who]:
            figures += _ratios(engine, who, target, rivals[who], covered)
    return figures


def _vectors(visits: Sequence[Visited]) -> int | None:
    """Vectors of choices of the whole search, if one that counts them came to its end."""
    return next((item.transitions for item in visits if item.complete), None)


def _ratios(
    engine: dict[int, list[tuple[SearchOutcome, Timed]]],
    who: str,
    target: int,
    visits: list[Visited],
    covered: int | None,
) -> list[Figure]:
    middle = sorted(visits, key=lambda item: item.transitions / item.seconds)[len(visits) // 2]
    rate, per_state = middle.transitions / middle.seconds, middle.transitions / middle.expanded
    figures = [
        Figure(f"{who}: transitions ({per_state:.1f} a state)", f"{rate / 1e6:.3g} million/s"),
        Figure(f"{who}: states expanded", f"{middle.expanded / middle.seconds / 1e6:.3g} million/s"),
    ]
    for threads, runs in engine.items():
        outcome, took = runs[0][0], median([item for _, item in runs])
        versus = f"engine, {threads} thread{'s' if threads > 1 else ''}, against {who}"
        if covered is not None:
            ratio = covered / took.wall / rate
            label = f"{versus}: transitions"
            figures.append(at_least(label, ratio, target, "times") if threads == 2 else _times(label, ratio))
        same_work = outcome.states / took.wall / (middle.expanded / middle.seconds)
        figures.append(_times(f"{versus}: the same work", same_work))
    return figures


def _times(what: str, ratio: float) -> Figure:
    return Figure(what, f"{ratio:.3g} times")
