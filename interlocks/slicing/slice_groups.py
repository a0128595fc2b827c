"""Which requirements are judged together, over which slice of the machine.

A requirement asks for what can affect it and for nothing else (``slicing.influence``). What has no state,
such as a lamp, hardly adds to a search; so only sequences, parts and memory decide, each weighed by the
number of values that it can take. Two requirements are judged together where what both ask for is at most
``NEARLY`` times what one of them asks for: one search is cheaper than two compilers then. Else each has its
own search, the smaller one first, so that what costs most delays nothing else.

Without faults a check also says which states and exits are never used, and under any number of faults whether
a counter leaves its bounds. So each sequence and counter asks for what can affect it as well; a slice with
no requirement comes last.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import prod

from stillgate.controller.program.program import Lookup

from ..loop.closed_loop import ClosedLoop, close_loop
from ..requirements.monitors import asks_possibility
from .influence import Cone, Influence, influence_of
from .slices import slice_of

NEARLY = 16
"""How many times as many situations make two searches cheaper than one."""


@dataclass(frozen=True, slots=True)
class SlicedLoop:
    """The closed loop of a slice, and what it is searched for.

    Attributes:
        requirements: names of those that are judged in it.
        left_out: names of the machine's elements that are not in it.
        size: about how many situations its sequences, parts and memory allow, faults and monitors apart.
    """

    loop: ClosedLoop
    requirements: tuple[str, ...]
    left_out: tuple[str, ...]
    size: int


@dataclass(frozen=True, slots=True)
class _Group:
    kept: Cone
    stateful: Cone
    requirements: tuple[str, ...]

    def __or__(self, other: _Group) -> _Group:
        names = (*self.requirements, *other.requirements)
        return _Group(self.kept | other.kept, self.stateful | other.stateful, names)


def sliced(loop: ClosedLoop) -> tuple[SlicedLoop, ...]:
    """The slices that a loop's requirements, counters and, without faults, sequences are judged over.

    None where one slice would be all that has state: then the loop itself is searched.
    """
    weights = weights_of(loop)
    groups = _joined(_asked(loop, influence_of(loop), frozenset(weights)), weights)
    if len(groups) < 2 and all(len(group.stateful) == len(weights) for group in groups):
        return ()
    ordered = sorted(groups, key=lambda group: (not group.requirements, _size(group.stateful, weights)))
    return tuple(_close(loop, group, _size(group.stateful, weights)) for group in ordered)


def _asked(loop: ClosedLoop, influence: Influence, stateful: Cone) -> list[_Group]:
    """What each requirement, counter and sequence asks for; a controller has one sequence at the least."""
    sequences = [item.name for item in loop.controller.sequences]
    least = min((influence.of(name) for name in sequences), key=lambda cone: (len(cone), sorted(cone)))
    found = []
    for name in loop.monitors.requirements:
        cone = influence.of_requirement(name)
        cone = cone if cone.intersection(sequences) else cone | least
        found.append(_Group(cone, cone & stateful, (name,)))
    others = [loop.controller.memory[cell] for cell, _ in loop.controller.bounds_marks]
    if not loop.budget:
        others += sequences
    for name in others:
        cone = influence.of(name)
        found.append(_Group(cone, cone & stateful, ()))
    return found


def _joined(asked: list[_Group], weights: dict[str, int]) -> list[_Group]:
    """Joins what is nearly the same, the smallest first; the order of what is asked decides nothing else."""
    same: dict[Cone, _Group] = {}
    for item in asked:
        same[item.stateful] = same[item.stateful] | item if item.stateful in same else item
    waiting = sorted(same.values(), key=lambda item: (_size(item.stateful, weights), sorted(item.kept)))
    groups: list[_Group] = []
    while waiting:
        first = waiting.pop(0)
        for number, other in enumerate(waiting):
            both = first | other
            if _size(both.stateful, weights) <= NEARLY * _size(first.stateful, weights):
                waiting[number] = both
                break
        else:
            groups.append(first)
    return groups


def _size(names: Cone, weights: dict[str, int]) -> int:
    return prod(weights[name] for name in names)


def weights_of(loop: ClosedLoop) -> dict[str, int]:
    """About how many values each sequence, part and memory can take, its clocks included."""
    clocks = {item.cell: item for item in loop.clocks}
    found: dict[str, int] = {}
    for sequence in loop.controller.sequences:
        time = None if sequence.elapsed is None else clocks[sequence.elapsed].limit
        found[sequence.name] = len(sequence.states) + (sum(time.table) if isinstance(time, Lookup) else 0)
    for cell, name in loop.controller.memory.items():
        found[name] = cell.high - cell.low + 1
    for part in loop.plant.parts:
        places = prod(cell.high - cell.low + 1 for cell in part.cells if cell not in clocks)
        found[part.name] = places + max((cell.high for cell in part.cells if cell in clocks), default=0)
    return found


def _close(loop: ClosedLoop, group: _Group, size: int) -> SlicedLoop:
    order = {name: number for number, name in enumerate(loop.machine.requirements)}
    names = tuple(sorted(group.requirements, key=order.__getitem__))
    part = slice_of(loop.machine, group.kept, names)
    own = close_loop(
        part.machine,
        tick=loop.tick,
        faults=loop.budget,
        possibility=not loop.budget,
        exact=not loop.budget and asks_possibility(part.machine),
    )
    return SlicedLoop(own, names, part.left_out, size)
