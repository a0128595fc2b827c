"""Draws from a seed, the same in Python and in C, whatever else is drawn.

A draw depends on the seed, on the name of what is chosen, and on the number of the scan, and
on nothing that was drawn before. So a run in which one event is left out draws all else as it
did, which is what cutting a long run down to a short one needs::

    value = mix(mix(seed + G) + key of the name + scan * G)

``mix`` is the output function of SplitMix64 (Steele, Lea, Flood 2014, 'Fast splittable
pseudorandom number generators'; Stafford's variant 13 of the 64-bit finalizer), G its golden
gamma; the constants are from memory and checked against published first outputs in the tests.

Chances: most choices are even. What may happen in any of the next n ticks is given a chance of
1 in n, so its time is spread evenly over its range; what may happen at any time takes a second
or so. Not for secrets, nor for estimating probabilities of the real machine.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from hashlib import blake2b

from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.program.evaluate import Layout
from stillgate.controller.program.program import (
    Assign,
    Block,
    Cell,
    Choose,
    NoteKind,
    Observation,
    Ref,
    Statement,
)
from stillgate.controller.program.program_map import map_block

from ..parts.base import Events

GAMMA = 0x9E3779B97F4A7C15
MIX_1 = 0xBF58476D1CE4E5B9
MIX_2 = 0x94D049BB133111EB
MASK = 2**64 - 1


def mix(value: int) -> int:
    """A 64-bit number with every bit depending on every bit of the one given."""
    value = ((value ^ (value >> 30)) * MIX_1) & MASK
    value = ((value ^ (value >> 27)) * MIX_2) & MASK
    return value ^ (value >> 31)


def start_of(seed: int) -> int:
    """What a seed contributes to every draw."""
    return mix((seed + GAMMA) & MASK)


def key_of(cell: Cell) -> int:
    """What the name of a choice contributes to every draw; the same in every version."""
    return int.from_bytes(blake2b(cell.name.encode(), digest_size=8).digest(), "little")


def below(value: int, count: int) -> int:
    """0 .. count - 1 from a draw, as evenly as 32 bits allow."""
    return (value >> 32) * count >> 32


def patience(scan: Milliseconds) -> Ticks:
    """Ticks that something without a latest time is waited for on average: a second."""
    return max(1, 1000 // scan)


@dataclass(frozen=True, slots=True)
class NamedChoices:
    """Blocks in which no two choices have one name, and those of their choices that are events."""

    blocks: tuple[Block, ...]
    events: Events


def one_name_a_choice(*blocks: Block, events: Events) -> NamedChoices:
    """The same blocks with every choice named differently, so that no two draw the same."""
    met: dict[Cell, int] = {}
    named_events = dict(events)

    def named(statement: Statement) -> Block:
        match statement:
            case Choose(cell=cell, count=count):
                number = met[cell] = met.get(cell, 0) + 1
                if number == 1:
                    return (statement,)
                own = replace(cell, name=f"{cell.name}.{number}", persistent=False)
                if cell in events:
                    named_events[own] = events[cell]
                return (Choose(own, count), Assign(cell, Ref(own)))
            case _:
                return (statement,)

    return NamedChoices(tuple(map_block(block, statement=named) for block in blocks), named_events)


class SeededChoices:
    """Host of simulated blocks: choices are drawn, observations of inputs are not asked.

    Args:
        seed: of all draws.
        layout: where cells stand among ``values``.
        scan: period of the simulation, in ms.
        events: the choices that are events, with what their odds are read from.

    Attributes:
        scan: number of the present scan.
        values: the values of ``layout``, which odds of events are read from.
    """

    def __init__(self, seed: int, layout: Layout, scan: Milliseconds, events: Events) -> None:
        self.scan = 0
        self.values: list[int] = []
        self._start = start_of(seed)
        self._patience = patience(scan)
        self._keys: dict[Cell, int] = {}
        self._latest = {
            choice: None if latest is None else layout.slot(latest) for choice, latest in events.items()
        }

    def choose(self, cell: Cell, count: int) -> int:
        """Draws one of 0 .. count - 1."""
        if cell not in self._keys:
            self._keys[cell] = key_of(cell)
        drawn = mix((self._start + self._keys[cell] + self.scan * GAMMA) & MASK)
        if cell not in self._latest:
            return below(drawn, count)
        latest_slot = self._latest[cell]
        left = self._patience if latest_slot is None else self.values[latest_slot] + 1
        return int(below(drawn, left) == 0)

    def read(self, values: list[int], signal: str, observation: Observation, ticks: Ticks) -> int:
        """Never asked: what is simulated reads cells."""
        raise AssertionError("simulated parts, switches and operators read no observation of an input")

    def note(self, kind: NoteKind, index: int) -> None:
        """Never asked: what is simulated judges nothing."""
        raise AssertionError("simulated parts, switches and operators report nothing")


DRAWS_IN_C = f"""\
static inline uint64_t mix__(uint64_t value)
{{
    value = (value ^ (value >> 30)) * UINT64_C({MIX_1});
    value = (value ^ (value >> 27)) * UINT64_C({MIX_2});
    return value ^ (value >> 31);
}}
static inline unsigned below__(uint64_t drawn, unsigned count)
{{
    return (unsigned)((drawn >> 32) * count >> 32);
}}
"""
"""The same functions in C; ``now__`` is the start of the seed plus the scan times G."""


def choice_in_c(choice: Choose, events: Mapping[Cell, str | None], scan: Milliseconds) -> str:
    """C text of a choice.

    Args:
        choice: the choice.
        events: those that are events, with the C text of the ticks left until each must happen.
        scan: period of the simulation, in ms.
    """
    drawn = f"mix__(now__ + UINT64_C({key_of(choice.cell)}))"
    if choice.cell not in events:
        return f"below__({drawn}, {choice.count})"
    latest = events[choice.cell]
    left = str(patience(scan)) if latest is None else f"(unsigned){latest} + 1"
    return f"(below__({drawn}, {left}) == 0)"
