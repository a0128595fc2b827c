"""Many weakenings ruled out by one search, where most of them would need one each.

Most weakenings that no requirement notices are found so only by a search to its end. So they are first
searched together, each one's switch left open: on or off anew wherever it is read, under any fault that
one of them is to be looked at with. Whatever a machine weakened in one of these ways can do, this one can
do as well; so where it breaks nothing, none of them is noticed.

The converse is not true: two weakenings that do nothing alone may break something together. A break tells
which switches it took. If it took one, that weakening is left to a search of its own; if it took several,
one of them is put off to the next group, and the rest is asked again. So what is said of a weakening never
depends on its group.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from stillgate.controller.effort import Effort
from stillgate.controller.errors import ProgramFault

from ..exploration.parametric_checker import Answer, SwitchedChecker, allowance
from .mutants import Candidate

MOST_TOGETHER = 12
"""Weakenings of a group: each open switch that a scan reads doubles what the scan may come to."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A weakening that is to be looked at under some faults; ``number`` is its place in the file's order."""

    number: int
    candidate: Candidate
    faults: tuple[int, ...]


def groups_of(waiting: Iterable[Waiting], most: int = MOST_TOGETHER) -> list[tuple[Waiting, ...]]:
    """Weakenings to be asked together.

    Those of interlocks apart from those of sequences, for one layer stands in for the other; those of the
    same faults side by side, for each fault costs time.
    """

    def kinship(item: Waiting) -> tuple[bool, tuple[int, ...], int]:
        return item.candidate.weakening.place.startswith("interlock "), item.faults, item.number

    ordered = sorted(waiting, key=kinship)
    return [tuple(ordered[at : at + most]) for at in range(0, len(ordered), most)]


def unnoticed_among(
    group: Sequence[Waiting],
    checker: SwitchedChecker,
    stop_at: Sequence[int],
    effort: Effort,
) -> Iterator[tuple[Waiting, bool]]:
    """Each of a group, and whether it was shown to break nothing; False: it needs a search of its own.

    Args:
        checker: a checker that has the switches of all of them.
        stop_at: the breaks that count.
        effort: of each search.
    """
    asked, put_off = list(group), list[Waiting]()
    while asked:
        if len(asked) == 1 or effort.over:
            yield from ((item, False) for item in asked)
            break
        answer = _answer(asked, checker, stop_at, effort)
        if answer is not None and answer.complete:
            yield from ((item, True) for item in asked)
            break
        took = [] if answer is None else [item for item in asked if item.candidate.switch in answer.took]
        if not took:  # not searched to its end: a smaller group may be
            half = len(asked) // 2
            yield from unnoticed_among(asked[:half], checker, stop_at, effort)
            asked = asked[half:]
            continue
        asked.remove(took[-1])
        if len(took) == 1:
            yield took[0], False
        else:
            put_off.append(took[-1])
    if put_off:
        yield from unnoticed_among(put_off, checker, stop_at, effort)


def _answer(
    group: Sequence[Waiting], checker: SwitchedChecker, stop_at: Sequence[int], effort: Effort
) -> Answer | None:
    """The search of a group; None if a step asks more choices than the engine takes."""
    faults = sorted({number for item in group for number in item.faults})
    try:
        return checker.ask(
            [allowance(number) for number in faults],
            either=[item.candidate.switch for item in group],
            stop_at=stop_at,
            effort=effort,
        )
    except ProgramFault:
        return None
