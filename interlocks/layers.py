"""Layers: which of sequences and interlocks carries a hazard requirement.

Each is judged three ways, over every reachable situation:

sequences alone
    The interlocks are removed.
interlocks alone
    Every output is demanded at will in every scan, whatever the states say. The sequences still run,
    because interlocks read their states; they only have no say in the demands any more. How that is
    searched where there are many outputs, ``at_will`` says.
both
    The machine as the file has it.

A requirement that either layer carries alone survives a mistake in the other one.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path as FilePath

from stillgate.controller.machine import FromAnywhere, Machine, Reach, Requirement
from stillgate.controller.quantities import Milliseconds
from stillgate.controller.reader import MachineDocument

from .assumptions import assumptions_of
from .at_will import MOST_AT_WILL, Freed, freed_for
from .check import DEFAULT_BYTES, judgement_of, required_faults
from .closed_loop import ClosedLoop, close_loop
from .evidence import Carrier, LayerRow, LayerTable
from .explorer import Limits, Progress
from .search import Search, checkers_of
from .verdict import CheckResult, Exploration, Judgement, Word

ABOUT = (
    "Sequences alone: the interlocks are removed. Interlocks alone: every output is demanded at will in "
    "every scan; the sequences still run, because interlocks read their states.",
)

ABOUT_MANY = (
    f"More than {MOST_AT_WILL} outputs matter. Interlocks alone 'holds' was found with the outputs at will "
    "that the requirement speaks of, and with every part that it does not speak of doing anything at all; "
    "'broken' with the same outputs at will, and the parts as they are."
)

_FEW = 100_000
"""States of the first, short search for breaks."""


def layers(
    document: MachineDocument,
    result: CheckResult,
    *,
    faults: int = 0,
    threads: int | None = None,
    max_states: int | None = None,
    max_bytes: int | None = None,
    time_limit: float | None = None,
    progress: Callable[[Progress], None] | None = None,
    on_slow_build: Callable[[], None] | None = None,
) -> LayerTable:
    """Which layer carries each requirement that names a hazard.

    Args:
        result: the check of the same file, which judges both layers together.
        faults: 0 or 1; with 1, requirements that must withstand a fault are judged under one.
        threads, max_states, max_bytes: of each search.
        time_limit: seconds of each search; what is not decided by then is undecided.
        progress: called a few times a second while a search runs.
        on_slow_build: called before a compiler's slow very first call.

    Raises:
        ToolMissing: if there is no C compiler.
    """
    began = time.monotonic()
    budget = min(faults, result.faults)
    wanted = {
        name: item
        for name, item in document.machine.requirements.items()
        if item.hazard is not None
        and not isinstance(item, Reach | FromAnywhere)
        and required_faults(document.machine, item) >= budget
    }
    machine = document.machine.model_copy(update={"requirements": wanted})
    limits = Limits(threads=threads, states=max_states, bytes=max_bytes or DEFAULT_BYTES, seconds=time_limit)
    bench = _Bench(machine, result.tick, budget, limits, progress, on_slow_build)
    groups = freed_for(machine, result.tick)
    sequences = bench.sequences_alone()
    interlocks = bench.interlocks_alone(groups)
    both = {
        item.name: judgement
        for item in result.requirements
        for judgement in item.judgements
        if judgement.faults == budget
    }
    rows = tuple(
        _row(name, item, sequences[name], interlocks[name], both[name]) for name, item in wanted.items()
    )
    return LayerTable(
        machine=machine.machine,
        faults=budget,
        tick=result.tick,
        rows=rows,
        assumptions=(
            *ABOUT,
            *([] if all(group.whole for group in groups) else [ABOUT_MANY]),
            *assumptions_of(machine, result.tick, budget),
        ),
        seconds=time.monotonic() - began,
        tick_caution=result.tick_caution,
    )


@dataclass(frozen=True)
class _Bench:
    """What all searches of a layer table have in common; ``machine`` has the judged requirements only."""

    machine: Machine
    tick: Milliseconds
    budget: int
    limits: Limits
    progress: Callable[[Progress], None] | None
    on_slow_build: Callable[[], None] | None

    def sequences_alone(self) -> dict[str, Judgement]:
        bare = self.machine.model_copy(update={"interlocks": []})
        return self._judged([close_loop(bare, tick=self.tick, faults=self.budget, possibility=False)])

    def interlocks_alone(self, groups: Sequence[Freed]) -> dict[str, Judgement]:
        """Breaks lie near the start, so a short search for them comes first where two machines are asked."""
        whole = [group for group in groups if group.whole]
        found = self._judged([group.loop(self.machine, self.tick, self.budget) for group in whole])
        parted = [group for group in groups if not group.whole]
        found |= _those(Word.BROKEN, self._narrower(parted, replace(self.limits, states=self._few())))
        parted = _left(parted, found)
        wider = self._judged([group.wider_loop(self.machine, self.tick, self.budget) for group in parted])
        found |= _those(Word.HOLDS, wider)
        parted = _left(parted, found)
        narrower = self._narrower(parted, self.limits)
        return found | {
            name: _only_broken(narrower[name], group) for group in parted for name in group.requirements
        }

    def _few(self) -> int:
        return _FEW if self.limits.states is None else min(_FEW, self.limits.states)

    def _narrower(self, groups: Sequence[Freed], limits: Limits) -> dict[str, Judgement]:
        return self._judged([group.loop(self.machine, self.tick, self.budget) for group in groups], limits)

    def _judged(self, loops: Sequence[ClosedLoop], limits: Limits | None = None) -> dict[str, Judgement]:
        """The requirements of each loop."""
        if not self.machine.requirements:
            return {}
        with checkers_of(loops, self.on_slow_build) as libraries:
            return {
                name: judgement
                for loop, library in zip(loops, libraries, strict=True)
                for name, judgement in self._search(loop, library, limits or self.limits).items()
            }

    def _search(self, loop: ClosedLoop, library: FilePath, limits: Limits) -> dict[str, Judgement]:
        wanted: Mapping[str, Requirement] = loop.machine.requirements
        exploration = _ended_early(loop)

        def look(now: Progress) -> None:
            if self.progress is not None:
                self.progress(now)
            if all(search.has_broken(loop.requirement_names.index(name)) for name in wanted):
                raise _AllBrokenError

        with Search(loop, library, limits) as search:
            with suppress(_AllBrokenError):
                exploration = search.run(look)
            runs = search.breaks()
        return {
            name: judgement_of(exploration, name, requirement, runs.get(name))
            for name, requirement in wanted.items()
        }


def _those(word: Word, judgements: Mapping[str, Judgement]) -> dict[str, Judgement]:
    return {name: item for name, item in judgements.items() if item.word is word}


def _left(groups: Sequence[Freed], found: Mapping[str, Judgement]) -> list[Freed]:
    """The groups less the requirements that are decided."""
    return [
        replace(group, requirements=names)
        for group in groups
        if (names := tuple(name for name in group.requirements if name not in found))
    ]


def _only_broken(judgement: Judgement, group: Freed) -> Judgement:
    """A verdict found with no more than all outputs at will: a break stands, anything else is undecided."""
    if judgement.word is not Word.HOLDS:
        return judgement
    reason = (
        f"nothing broke with {', '.join(sorted(group.outputs)) or 'no output'} at will and the others as the "
        "sequences ask, but it may with all at will"
    )
    return replace(judgement, word=Word.UNDECIDED, reason=reason)


class _AllBrokenError(Exception):
    """Raised from a search's progress to end it: there is nothing left to find."""


def _ended_early(loop: ClosedLoop) -> Exploration:
    """What a search covered that ended when everything was broken: nothing leans on it."""
    return Exploration(
        faults=loop.budget, tick=loop.tick, exhausted=False, stopped_by="every requirement broken", states=0,
        transitions=0, depth=0, seconds=0.0, key_bits=0, bytes_per_state=0.0, threads=0, initial_states=0,
    )  # fmt: skip


def _row(
    name: str, item: Requirement, sequences: Judgement, interlocks: Judgement, both: Judgement
) -> LayerRow:
    carrier = _carrier(sequences.word, interlocks.word, both.word)
    assert item.hazard is not None
    texts = {
        Carrier.EITHER: "holds with either layer alone",
        Carrier.SEQUENCES: "the sequences carry it; the interlocks alone do not",
        Carrier.INTERLOCKS: "the interlocks carry it; the sequences alone do not",
        Carrier.BOTH: "neither layer carries it alone; together they do",
        Carrier.NONE: "broken even with both layers",
        Carrier.UNDECIDED: "undecided: a search was cut short",
    }
    return LayerRow(name, item.hazard, sequences, interlocks, both, carrier, texts[carrier])


def _carrier(sequences: Word, interlocks: Word, both: Word) -> Carrier:
    if both is Word.BROKEN:
        return Carrier.NONE
    if Word.UNDECIDED in (sequences, interlocks, both):
        return Carrier.UNDECIDED
    match sequences is Word.HOLDS, interlocks is Word.HOLDS:
        case True, True:
            return Carrier.EITHER
        case True, False:
            return Carrier.SEQUENCES
        case False, True:
            return Carrier.INTERLOCKS
        case _:
            return Carrier.BOTH
