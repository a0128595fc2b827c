"""Invariants that are easily guessed and slowly found: what two counters have to do with each other.

A requirement counts ticks, and so does the controller: 'held for 510 ms' against a state that is
left after 510 ms. A proof made of bounds on single cells finds how the two go together one tick
at a time. So these are tried before any proof, and kept as far as they are inductive:

* *in step*: a counter is never ahead of another by more than a few ticks;
* *at rest*: in a state of a sequence, and without power, a counter stands at its lowest;
* *in the dark*: without power no state is active, and a fault took it away.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import permutations, product

from stillgate.controller.effort import Effort
from stillgate.sim_io.faults.fault_list import FaultKind

from .cubes import Bound, Cube, Relation
from .inductive_check import inductive_families
from .transition_system import LoopFormula

LEADS = (0, 1, 2)
"""Ticks that a counter may be ahead: the order of counting within a tick makes one or two of them."""

SHORTEST = 5
"""Ticks; a counter that stops before is learnt faster than guessed."""


def counters_in_step(
    loop: LoopFormula, known: Iterable[Cube] = (), *, effort: Effort | None = None
) -> tuple[Cube, ...]:
    """Cubes that are never entered because counters are in step or at rest; inductive with ``known``.

    Args:
        known: cubes that are known never to be entered.

    Raises:
        OutOfTime: if the effort is over.
    """
    states = _states(loop)
    counters = [
        number
        for number, cell in enumerate(loop.cells)
        if cell.high - cell.low >= SHORTEST and number not in loop.named and number not in states
    ]
    guessed = (*_at_rest(loop, states, counters), *_in_the_dark(loop, states, counters))
    at_rest = [(cube,) for cube in guessed]
    in_step = {
        (behind, ahead, lead): _ahead_by_more(loop, behind, ahead, lead)
        for behind, ahead in permutations(counters, 2)
        for lead in LEADS
    }
    families = [*at_rest, *(family for family in in_step.values() if family)]
    kept = set(inductive_families(loop, families, known, effort=effort))
    found = [cube for family in at_rest if family in kept for cube in family]
    for behind, ahead in permutations(counters, 2):
        leads = (in_step[behind, ahead, lead] for lead in LEADS)
        found += next((family for family in leads if family in kept), ())
    return tuple(found)


def _states(loop: LoopFormula) -> dict[int, int]:
    """The place of each sequence's active state, and its highest number, which stands for none."""
    return {
        loop.position[item.active]: item.active.high
        for item in loop.loop.controller.sequences
        if item.active in loop.position
    }


def _at_rest(loop: LoopFormula, states: dict[int, int], counters: list[int]) -> Iterator[Cube]:
    """A counter above its lowest in one state of a sequence."""
    for (active, high), counter in product(states.items(), counters):
        counting = Bound(counter, Relation.AT_LEAST, loop.cells[counter].low + 1)
        for state in range(loop.cells[active].low, high + 1):
            yield (
                Bound(active, Relation.AT_LEAST, state),
                Bound(active, Relation.AT_MOST, state),
                counting,
            )


def _in_the_dark(loop: LoopFormula, states: dict[int, int], counters: list[int]) -> Iterator[Cube]:
    """What is not so without power: an active state, a counter above its lowest, another fault."""
    if loop.loop.dark not in loop.position:
        return
    dark = Bound(loop.position[loop.loop.dark], Relation.AT_LEAST, 1)
    for active, high in states.items():
        yield (dark, Bound(active, Relation.AT_MOST, high - 1))
    for counter in counters:
        yield (dark, Bound(counter, Relation.AT_LEAST, loop.cells[counter].low + 1))
    power = (item.number for item in loop.loop.faults if item.kind is FaultKind.POWER)
    yield (dark, *(Bound(loop.position[loop.loop.fault], Relation.OTHER_THAN, number) for number in power))


def _ahead_by_more(loop: LoopFormula, behind: int, ahead: int, lead: int) -> tuple[Cube, ...]:
    """One counter ahead of another by more than ``lead`` ticks, a cube for each value of that behind."""
    slow, fast = loop.cells[behind], loop.cells[ahead]
    return tuple(
        (
            Bound(behind, Relation.AT_MOST, value),
            Bound(ahead, Relation.AT_LEAST, value + lead + 1),
        )
        for value in range(slow.low, min(slow.high, fast.high - lead - 1) + 1)
    )
