"""What the fault table says, as values: a row a fault, and what requirements cover of outputs.

Like ``verdict``: all frozen, computed elsewhere, and whoever prints or draws them reads nothing else.
Times are in milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from stillgate.controller.machine_file.field_types import Milliseconds

from .verdict import Exploration, Story


class FaultOutcome(Enum):
    """What a machine does under a fault; the first that fits, in this order."""

    BREAKS = "breaks a requirement"
    HARMLESS = "harmless"  # every output stays as it would be without the fault
    STOPS = "stops by itself"  # inevitably, and stays stopped
    PAUSES = "stops while it lasts"  # power: nothing is driven until it returns, then it may work again
    UNNOTICED = "goes unnoticed"
    UNDECIDED = "undecided"  # the search was cut short


@dataclass(frozen=True, slots=True)
class FaultBreak:
    """A requirement that a fault breaks."""

    requirement: str
    hazard: str | None
    counts: bool  # whether the requirement must withstand a fault
    depth: int  # ticks of the way told: a shortest one, unless it was found over sets of times
    story: Story | None


@dataclass(frozen=True, slots=True)
class FaultRow:
    """What one fault leads to, in all reachable situations.

    ``stop_time`` is the longest time from the fault's beginning, be it long before it shows, until the
    machine has stopped for good: no output that names a hazard is on, the faulty one aside, nor ever
    will be. None where it need not stop, or where that was not found out. With ``stop_at_most`` it is a
    bound: the longest time may be less, and never more.
    ``next_start`` says of a fault that need not stop the machine that it cannot for ever stop and start under
    it: once it has stood often enough it does not come back to work. It is False, too, where that was not
    found out.
    ``dangerous`` says that the first difference the fault makes can be an output with a hazard that
    is on and would be off; None where that was not looked into.
    """

    fault: str  # 'estop_1 stuck on'; with two, joined by ' and '
    kind: str  # 'input stuck on', 'input stuck off', 'output stuck on', ..., 'power interrupted'
    subject: str  # the input or output; empty for the power supply
    outcome: FaultOutcome
    text: str  # the outcome in one sentence
    breaks: tuple[FaultBreak, ...] = ()  # the shortest first
    stop_time: Milliseconds | None = None
    stop_at_most: bool = False
    next_start: bool = False
    dangerous: bool | None = None
    situations: int | None = None  # reachable ones with this fault; None where they were not listed

    @property
    def story(self) -> Story | None:
        """The shortest story of a break."""
        return self.breaks[0].story if self.breaks else None


COVERAGE_OPEN = "undecided: of some fault it is not known"
"""Words of a coverage that is not known."""


@dataclass(frozen=True, slots=True)
class Coverage:
    """Diagnostic coverage of an input or output (ISO 13849-1: rates detected / rates dangerous).

    Rates are relative numbers, one a fault; ``ratio`` is None where nothing dangerous is among them, and
    where it ``is_open`` what one of the faults leads to.
    """

    subject: str
    dangerous: float  # rate of the dangerous faults
    detected: float  # of these, rate of those that stop the machine by themselves
    at_next_start: float  # of these, rate of those noticed then or at the next start
    ratio: float | None
    ratio_at_next_start: float | None
    band: str  # none, low, medium, high, or '-' without dangerous faults
    text: str

    @property
    def is_open(self) -> bool:
        """Whether it is not known, since what one of the faults leads to is not."""
        return self.text == COVERAGE_OPEN


@dataclass(frozen=True, slots=True)
class FaultTable:
    """One row a single fault, exhaustive if ``exploration.exhausted``."""

    machine: str
    rows: tuple[FaultRow, ...]
    coverage: tuple[Coverage, ...]
    assumptions: tuple[str, ...]  # definitions and assumptions, rates included
    exclusions: tuple[tuple[str, str], ...]  # (fault, reason)
    exploration: Exploration
    seconds: float
    pairs: tuple[FaultRow, ...] = ()  # rows of two faults, where asked for
    pairs_text: str = ""  # what was covered of the pairs
    pairs_undecided: int = 0  # pairs whose search was cut short or never begun
    tick_caution: str = ""  # what verdicts at another tick than the scan are worth
