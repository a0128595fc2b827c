"""Which combinations of outputs a controller may ask for, whatever state it is in.

More than it does and never less: every sequence may be in any state, every condition of an
interlock true or false. So what is ruled out under all of them is ruled out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import product

from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.program import Term


def output_vectors(program: ControllerProgram, outputs: Sequence[str]) -> tuple[tuple[int, ...], ...]:
    """Every combination of outputs that the controller may ask for, and some more.

    Every sequence may be in any state, and every condition of an interlock true or false, but
    the same condition is the same for all outputs.
    """
    chosen = [item for name in outputs for item in program.outputs if item.name == name]
    sequences = {name for item in chosen for name, _ in item.demanded_by}
    states = [
        _relevant(item.name, item.states, {state for out in chosen for _, state in out.demanded_by})
        for item in program.sequences
        if item.name in sequences
    ]
    conditions = list(dict.fromkeys(tuple(term for _, term in item.permits) for item in chosen))
    found: dict[tuple[int, ...], None] = {}
    for active in product(*states):
        for truths in _truths(conditions):
            found[
                tuple(
                    int(any(place in active for place in item.demanded_by)
                        and truths[tuple(term for _, term in item.permits)])
                    for item in chosen
                )
            ] = None  # fmt: skip
    return tuple(found)


def _relevant(sequence: str, states: Iterable[str], demanding: set[str]) -> list[tuple[str, str]]:
    """A sequence's states as far as they demand something; of the others, if any, one stands for all."""
    return list(dict.fromkeys((sequence, state if state in demanding else "") for state in states))


def _truths(conditions: Sequence[tuple[Term, ...]]) -> Iterator[dict[tuple[Term, ...], bool]]:
    """Every way in which groups of permits can be fulfilled; a group without any always is."""
    free = [group for group in conditions if group]
    for choice in product((True, False), repeat=len(free)):
        yield {(): True} | dict(zip(free, choice, strict=True))
