"""Layers: which of sequences and interlocks carries a hazard requirement.

Each is judged three ways, over every reachable situation:

sequences alone
    The interlocks are removed.
interlocks alone
    Every output is demanded at will in every scan, whatever the states say. The sequences still run,
    because interlocks read their states; they only have no say in the demands any more. How that is
    searched where there are many outputs, ``unconstrained_outputs`` says.
both
    The machine as the file has it.

A requirement that either layer carries alone survives a mistake in the other one.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path as FilePath

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import FromAnywhere, Machine, Reach, Requirement
from stillgate.controller.reading.reader import MachineDocument

from ..checking.assumptions import assumptions_of
from ..checking.checker import required_faults
from ..checking.judgements import judgement_of
from ..checking.staged_search import what_breaks
from ..exploration.explorer import Progress
from ..exploration.search import checkers_of
from ..loop.closed_loop import ClosedLoop, close_loop
from ..results.layer_rows import Carrier, LayerRow, LayerTable
from ..results.verdict import CheckResult, Exploration, Judgement, Word
from .unconstrained_outputs import MOST_AT_WILL, Freed, freed_for

ABOUT = (
    "Sequences alone: the interlocks are removed. Interlocks alone: every output is demanded at will in "
    "every scan; the sequences still run, because interlocks read their states.",
)

ABOUT_MANY = (
    f"More than {MOST_AT_WILL} outputs matter. That interlocks alone do not break it was found with "
    "the outputs at will that the requirement speaks of, and with every part that it does not speak of doing "
    "anything at all; 'broken' with the same outputs at will, and the parts as they are."
)

PATIENCE = 20.0
"""Seconds of each search, where nobody says for how long."""

BY_SETS = 100.0
"""Seconds more for sets of times, where single situations are too many."""

_FEW = 100_000
"""States of the first, short search for breaks."""


def layers(
    document: MachineDocument,
    result: CheckResult,
    *,
    faults: int = 0,
    effort: Effort | None = None,
    patience: float | None = PATIENCE,
    progress: Callable[[Progress], None] | None = None,
    on_slow_build: Callable[[], None] | None = None,
) -> LayerTable:
    """Which layer carries each requirement that names a hazard.

    Args:
        result: the check of the same file, which judges both layers together.
        faults: 0 or 1; with 1, requirements that must withstand a fault are judged under one.
        effort: of all searches together, one after another; each gets its part of the time that is left.
        patience: most seconds of a search where the effort has no deadline; then it is undecided.
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
    groups = freed_for(machine, result.tick)
    searches = 1 + sum(1 if group.whole else 3 for group in groups)
    given = effort or Effort()
    bench = _Bench(
        machine, result.tick, budget, given, result.exploration[0].exhausted, patience, searches, progress,
        on_slow_build,
    )  # fmt: skip
    sequences = bench.sequences_alone()
    interlocks = bench.interlocks_alone(groups)
    both = {
        item.name: judgement
        for item in result.requirements
        for judgement in item.judgements
        if judgement.faults == budget
    }
    scan = machine.scan
    rows = tuple(
        _row(name, item, sequences[name].at_scan(scan), interlocks[name].at_scan(scan), both[name])
        for name, item in wanted.items()
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


@dataclass
class _Bench:
    """What all searches of a layer table have in common; ``machine`` has the judged requirements only.

    ``few`` says whether single situations are few, ``to_go`` counts the searches that may still come, among
    which the time left is shared.
    """

    machine: Machine
    tick: Milliseconds
    budget: int
    effort: Effort
    few: bool
    patience: float | None
    to_go: int
    progress: Callable[[Progress], None] | None
    on_slow_build: Callable[[], None] | None

    def sequences_alone(self) -> dict[str, Judgement]:
        bare = self.machine.model_copy(update={"interlocks": []})
        loops = (close_loop(item, tick=self.tick, faults=self.budget, possibility=False) for item in (bare,))
        return self._judged(bare.requirements, loops, self.effort)

    def interlocks_alone(self, groups: Sequence[Freed]) -> dict[str, Judgement]:
        """Breaks lie near the start, so a short search for them comes first where two machines are asked."""
        whole = [group for group in groups if group.whole]
        found = self._narrower(whole, self.effort)
        parted = [group for group in groups if not group.whole]
        found |= _those(Word.BROKEN, self._narrower(parted, replace(self.effort, states=self._few())))
        parted = _left(parted, found)
        loops = (group.wider_loop(self.machine, self.tick, self.budget) for group in parted)
        wider = self._judged(_names(parted), loops, self.effort)
        found |= _those(Word.HOLDS, wider)
        parted = _left(parted, found)
        narrower = self._narrower(parted, self.effort)
        return found | {
            name: _only_broken(narrower[name], group) for group in parted for name in group.requirements
        }

    def _few(self) -> int:
        return _FEW if self.effort.states is None else min(_FEW, self.effort.states)

    def _narrower(self, groups: Sequence[Freed], effort: Effort) -> dict[str, Judgement]:
        loops = (group.loop(self.machine, self.tick, self.budget) for group in groups)
        return self._judged(_names(groups), loops, effort)

    def _judged(
        self, names: Iterable[str], loops: Iterator[ClosedLoop], effort: Effort
    ) -> dict[str, Judgement]:
        """The requirements, each judged in one of the loops; undecided what the time or Ctrl-C left over.

        A loop is closed only where there is time for it.
        """
        if not self.machine.requirements:
            return {}
        found: dict[str, Judgement] = {}
        closed: list[ClosedLoop] = []
        try:
            while not effort.over and (loop := next(loops, None)) is not None:
                closed.append(loop)
            with checkers_of(closed, self.on_slow_build, effort) as libraries:
                for loop in closed:
                    found |= self._search(loop, next(libraries), self._next(effort))
        except OutOfTime:
            pass
        except KeyboardInterrupt:  # while a checker was built
            effort.stop.set()
        covered = Exploration.not_run(self.budget, self.tick, effort.ended_by)
        for name in names:
            found.setdefault(name, judgement_of(covered, name, self.machine.requirements[name], None))
        return found

    def _next(self, effort: Effort) -> Effort:
        """Of the next search."""
        self.to_go = max(1, self.to_go - 1)
        if effort.deadline is not None:
            return effort.part(self.to_go + 1)
        return effort.within(self.patience and self.patience + (0 if self.few else BY_SETS))

    def _search(self, loop: ClosedLoop, library: FilePath, effort: Effort) -> dict[str, Judgement]:
        wanted = loop.machine.requirements
        found = what_breaks(
            loop, tuple(wanted), effort, few=self.few, library=library, progress=self.progress
        )
        return {name: found.judgement(loop, name) for name in wanted}


def _those(word: Word, judgements: Mapping[str, Judgement]) -> dict[str, Judgement]:
    return {name: item for name, item in judgements.items() if item.word is word}


def _names(groups: Iterable[Freed]) -> list[str]:
    return [name for group in groups for name in group.requirements]


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
    if Word.NOT_BROKEN in (sequences.word, interlocks.word, both.word):
        texts[Carrier.UNDECIDED] = "undecided: found at a longer tick than the scan"
    return LayerRow(name, item.hazard, sequences, interlocks, both, carrier, texts[carrier])


def _carrier(sequences: Word, interlocks: Word, both: Word) -> Carrier:
    if both is Word.BROKEN:
        return Carrier.NONE
    if {Word.UNDECIDED, Word.NOT_BROKEN} & {sequences, interlocks, both}:
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
