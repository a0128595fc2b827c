"""Answers to the choices of a loop: given in order, given by name, and noted as they are given."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from .interpreter import Chooser, LoopRunner

Answers = tuple[tuple[str, int], ...]
"""What was chosen in a tick, in order: the name of the choice and the number of the option."""


def answering(picks: Sequence[int]) -> Chooser:
    """Answers choices by picks, one after another."""
    answers = iter(picks)
    return lambda name, count: next(answers)


def then_first(picks: Sequence[int]) -> Chooser:
    """Answers by picks; what is asked beyond, how parts move after the end, gets its first option."""
    answers = iter(picks)
    return lambda name, count: next(answers, 0)


def as_offered(picks: Sequence[int]) -> Chooser:
    """As ``then_first``, by picks of another loop's run: what is not offered gets its first option."""
    answers = iter(picks)

    def choose(_: str, count: int) -> int:
        pick = next(answers, 0)
        return pick if pick < count else 0

    return choose


def noting(chooser: Chooser, given: list[tuple[str, int]]) -> Chooser:
    """The same answers, each of which is added to a list with its name."""

    def choose(name: str, count: int) -> int:
        given.append((name, chooser(name, count)))
        return given[-1][1]

    return choose


def by_name(answers: Iterable[tuple[str, int]]) -> Chooser:
    """Answers each choice as it was answered under its name; what was not asked there gets its first one."""
    left = {name: iter(picks) for name, picks in named(answers).items()}

    def choose(name: str, count: int) -> int:
        pick = next(left[name], 0) if name in left else 0
        return pick if pick < count else 0

    return choose


def named(answers: Iterable[tuple[str, int]]) -> dict[str, list[int]]:
    """The answers under each name, in order; in a tick the same may be asked more than once."""
    found: dict[str, list[int]] = {}
    for name, pick in answers:
        found.setdefault(name, []).append(pick)
    return found


def answered(runner: LoopRunner, run: Iterable[Chooser], look: Callable[[], None]) -> list[Answers]:
    """Steps a run from power-on and tells what was answered: at the start, then in each tick.

    Args:
        look: called before each; what it raises ends the run.
    """
    told: list[Answers] = []
    for number, chooser in enumerate(run):
        look()
        asked: list[tuple[str, int]] = []
        if number:
            runner.advance(noting(chooser, asked))
        else:
            runner.begin(noting(chooser, asked))
        told.append(tuple(asked))
    return told
