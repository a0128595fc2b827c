"""The prover's share of a check: what searches leave undecided is asked of z3, where it is installed.

Its time is kept for it from the start, so that no search can use it up: a quarter of the time limit, and
where there is none as long as the searches took. A proof is checked again and a break is stepped before it
counts, as ``confirm`` does; the verdict says that it was found in this way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib.util import find_spec
from typing import TYPE_CHECKING

from stillgate.controller.effort import Effort
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.reading.reader import MachineDocument

from ..results.verdict import Judgement, Word

if TYPE_CHECKING:
    from .prover_run import Judged

Judgements = Mapping[str, Judgement]
"""What is said of each requirement under one fault budget."""

SHARES = 4
"""Proofs get one of so many shares of the time limit."""

AT_LEAST = 20.0
"""Seconds for proofs where there is no limit and the searches took less."""


def has_prover() -> bool:
    """Whether z3 is installed."""
    return find_spec("z3") is not None


def time_for_searches(effort: Effort) -> Effort:
    """What is left of the time once the share of proofs is kept."""
    left = effort.left()
    return effort.within(left * (SHARES - 1) / SHARES) if left is not None and has_prover() else effort


def with_proofs(
    document: MachineDocument,
    said: Sequence[Judgements],
    effort: Effort,
    *,
    tick: Milliseconds,
    spent: float,
) -> list[Judgements]:
    """The same, with what proofs and replayed runs say of what is undecided.

    Args:
        said: without faults first; one for each fault budget.
        effort: of the whole check; its time is what is left.
        spent: seconds that searches took.

    Raises:
        ProgramFault: if a proof or a run does not stand up to being checked again.
    """
    open_ = {
        (name, number)
        for number, item in enumerate(said)
        for name, judgement in item.items()
        if judgement.word is Word.UNDECIDED
    }
    if not open_ or effort.over or not has_prover():
        return list(said)
    from .prover_run import ProofRun  # z3 takes a while to load, and most checks leave nothing open

    given = effort if effort.left() is not None else effort.within(max(AT_LEAST, spent))
    budget = max(number for _, number in open_)
    run = ProofRun(document, tick, budget, given, only=frozenset(name for name, _ in open_))
    found = run.judge()
    if run.interrupted:
        effort.stop.set()
    return [
        {
            name: _judgement(judgement, found.get((name, number)) if (name, number) in open_ else None)
            for name, judgement in item.items()
        }
        for number, item in enumerate(said)
    ]


def _judgement(before: Judgement, found: Judged | None) -> Judgement:
    if found is None:
        return before
    if found.verdict is Word.UNDECIDED:
        return replace(before, reason=f"{before.reason}; z3: {found.reason}")
    broken = found.verdict is Word.BROKEN
    never = broken and found.story is None
    return Judgement(
        found.verdict,
        before.faults,
        before.tick,
        None if found.story is None else found.depth,
        found.story if broken else None,
        "no reachable situation is like that" if never else "",
        method=found.method,
    )
