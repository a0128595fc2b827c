"""Conditions and times of random machines: ``drawing`` continued."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum
from random import Random
from typing import Any


class Pool(Enum):
    """Where a condition stands, which decides what it may read."""

    GUARD = "guard"
    INTERLOCK = "interlock"
    PAST = "in brackets of rising, falling or held, in an interlock: no outputs"
    REQUIREMENT = "requirement"


@dataclass
class Drawn:
    """A machine under construction: its chance, its period, and what there is to name so far.

    ``read_once`` is a counter that a single state reads: in every other its value may seem to matter
    to nobody.
    """

    chance: Random
    scan: int
    tick: int
    theme: str
    inputs: list[str] = field(default_factory=list)
    outputs: list[str] = field(default_factory=list)
    bits: list[str] = field(default_factory=list)
    counters: dict[str, tuple[int, int]] = field(default_factory=dict)
    read_once: str = ""
    states: list[str] = field(default_factory=list)
    truths: list[str] = field(default_factory=list)

    # -- chance ------------------------------------------------------------------------------

    def pick(self, items: Sequence[str]) -> str:
        """One of some texts."""
        return self.chance.choice(items)

    def one_in(self, count: int) -> bool:
        """True once in ``count`` times."""
        return self.chance.randrange(count) == 0

    def shuffle_keys(self, items: dict[str, Any]) -> None:
        """The same items in another order of the file."""
        names = list(items)
        self.chance.shuffle(names)
        for name in names:
            items[name] = items.pop(name)

    # -- times -------------------------------------------------------------------------------

    def milliseconds(self, most: int) -> int:
        """Up to about ``most`` ticks, no multiple of the tick or the scan now and then."""
        whole = self.chance.randint(0, most) * self.tick
        off = self.chance.choice((0, 0, 0, self.scan // 2, 1, -1, self.scan))
        return max(0, whole + off)

    def time(self, most: int) -> str:
        """A time as text."""
        milliseconds = self.milliseconds(most)
        return f"T#{milliseconds}ms" if self.one_in(20) else f"{milliseconds} ms"

    def limit(self) -> str:
        """A time to answer in; seldom too short for any answer."""
        return f"{self.milliseconds(3) + (0 if self.one_in(8) else self.scan)} ms"

    def span(self, most: int, *, least: int = 0) -> str:
        """Shortest and longest time, the shortest of ``least`` ticks or more; never no time at all."""
        shortest, longest = sorted(self.milliseconds(most - least) for _ in range(2))
        shortest, longest = shortest + least * self.tick, longest + least * self.tick
        return f"{shortest}..{max(1, longest)} ms"

    # -- conditions --------------------------------------------------------------------------

    def names(self, pool: Pool) -> list[str]:
        """What may be read as a truth, the more telling names more often."""
        found = [*self.inputs, *self.states, *self.bits]
        if pool is Pool.PAST:
            return found
        found += self.outputs
        if pool is not Pool.REQUIREMENT:
            return found + self.inputs
        found += [*self.outputs, *self.truths, *self.truths]
        if self.one_in(3):
            found += [f"seen.{name}" for name in self.inputs] + [f"asked.{name}" for name in self.outputs]
        return found

    def plain(self, pool: Pool, depth: int) -> str:
        """A truth without rising, falling or held."""
        if depth > 0 and self.one_in(2):
            left, right = self.plain(pool, depth - 1), self.plain(pool, depth - 1)
            return f"({left} {self.pick(('and', 'or', 'and', 'or', 'xor', '=', '<>'))} {right})"
        counters = [name for name in self.counters if name != self.read_once]
        if counters and self.one_in(3 if self.theme == "memory" else 5):
            return self.comparison(self.pick(counters))
        if self.one_in(30):
            return self.pick(("true", "false"))
        name = self.pick(self.names(pool))
        return f"not {name}" if self.one_in(2) else name

    def comparison(self, name: str) -> str:
        """A truth about a counter."""
        low, high = self.counters[name]
        operator = self.pick(("=", "=", "<>", "<", "<=", ">", ">="))
        right = str(self.chance.randint(low, high))
        if self.one_in(4) and name != self.read_once:
            right = f"{name} {self.pick(('+', '-'))} 1"
        return f"({name} {operator} {right})"

    def observation(self, pool: Pool) -> str:
        """rising, falling or held, of a name or of more than a name."""
        argument = self.plain(Pool.PAST if pool is Pool.INTERLOCK else pool, 0 if self.one_in(2) else 1)
        if pool is Pool.REQUIREMENT and self.theme == "held":
            word = self.pick(("held", "held", "rising"))
        else:
            word = self.pick(("rising", "falling", "held"))
        return f"held({argument}, {self.time(3)})" if word == "held" else f"{word}({argument})"

    def truth(self, pool: Pool) -> str:
        """Any truth."""
        often = 2 if self.theme == "held" and pool is Pool.REQUIREMENT else 4
        if not self.one_in(often):
            return self.plain(pool, 1)
        seen = self.observation(pool)
        match self.chance.randint(0, 3):
            case 0:
                return seen
            case 1:
                return f"not {seen}"
            case _:
                operator = self.pick(("and", "or", "xor", "=", "<>"))
                other = self.plain(pool, 0) if self.one_in(2) else self.observation(pool)
                return f"({seen} {operator} {other})"

    def rare(self) -> str:
        """A truth of a requirement that is seldom so: a conjunction, or a moment."""
        pool = Pool.REQUIREMENT
        match self.chance.randint(0, 4):
            case 0:
                return self.observation(pool)
            case 1:
                return f"({self.observation(pool)} and {self.plain(pool, 0)})"
            case 2 if self.truths:
                return self.pick(self.truths)
            case 3:
                return self.pick([*self.states, *self.outputs])
            case _:
                return f"({self.plain(pool, 0)} and {self.plain(pool, 0)})"
