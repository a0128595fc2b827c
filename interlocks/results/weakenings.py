"""Weakenings of a machine file and whether they are noticed, as values.

Like ``verdict``: all frozen, computed elsewhere, and whoever prints or draws them reads nothing else.
Times are in milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from stillgate.controller.machine_file.field_types import Milliseconds


class WeakeningKind(Enum):
    """Ways of weakening a machine file."""

    ATOM_TRUE = "taken as true"
    ATOM_FALSE = "taken as false"
    INTERLOCK_REMOVED = "interlock removed"
    OVERRIDE_REMOVED = "override removed"
    EXIT_REMOVED = "exit removed"
    TIME_ZEROED = "time zeroed"
    TIME_DOUBLED = "time doubled"


@dataclass(frozen=True, slots=True)
class Weakening:
    """One weakening and whether a requirement notices it.

    ``noticed`` is True if some verdict becomes broken (``by`` says which), False if none does, and
    None if the search was cut short. ``place`` says where, ``subject`` what is weakened.
    """

    kind: WeakeningKind
    place: str  # 'harvest: cutting, exit 2 to stopped'
    subject: str  # 'not arms_parked_1', '600 ms', 'arm_oil unless ...'
    text: str  # the weakening in one line
    line: int
    column: int
    noticed: bool | None  # None: undecided
    by: str = ""  # the requirement, or the counter whose bounds are left
    faults: int = 0  # how many faults it takes to notice it
    fault: str = ""  # the fault under which it was noticed
    depth: int | None = None  # ticks of the break that was found, not always the shortest
    reason: str = ""  # why undecided, or why it cannot be noticed
    equivalent: bool = False  # shown never to change anything


@dataclass(frozen=True, slots=True)
class StrengthList:
    """Every weakening of a machine file."""

    machine: str
    tick: Milliseconds
    faults: int
    weakenings: tuple[Weakening, ...]
    assumptions: tuple[str, ...]
    seconds: float
    tick_caution: str = ""  # what verdicts at another tick than the scan are worth

    @property
    def noticed(self) -> int:
        """How many a requirement notices."""
        return sum(item.noticed is True for item in self.weakenings)

    @property
    def unnoticed(self) -> tuple[Weakening, ...]:
        """Those that no requirement notices, undecided ones included."""
        return tuple(item for item in self.weakenings if item.noticed is not True)

    @property
    def share(self) -> float:
        """Part that is noticed, 0 to 1; 1 if there is nothing to weaken."""
        return self.noticed / len(self.weakenings) if self.weakenings else 1.0
