"""How strong the evidence is, as values: fault table, coverage, layers, weakenings, comparison.

Like ``verdict``: all frozen, computed elsewhere, and whoever prints or draws them reads nothing
else. Times are in milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from stillgate.controller.machine_file.field_types import Milliseconds

from .verdict import Exploration, Judgement, Story, Word

# -- fault table ---------------------------------------------------------------------------------


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
    depth: int  # ticks of the shortest way there
    story: Story | None


@dataclass(frozen=True, slots=True)
class FaultRow:
    """What one fault leads to, in all reachable situations.

    ``stop_time`` is the longest time from the fault's beginning, be it long before it shows, until the
    machine has stopped for good: no output that names a hazard is on, the faulty one aside, nor ever
    will be. None where it need not stop, or where that was not found out. ``next_start`` says of a fault
    that need not stop the machine that it cannot for ever stop and start under it: once it has stood
    often enough it does not come back to work.
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
    next_start: bool = False
    dangerous: bool | None = None
    situations: int = 0  # reachable situations with this fault

    @property
    def story(self) -> Story | None:
        """The shortest story of a break."""
        return self.breaks[0].story if self.breaks else None


@dataclass(frozen=True, slots=True)
class Coverage:
    """Diagnostic coverage of an input or output (ISO 13849-1: rates detected / rates dangerous).

    Rates are relative numbers, one a fault; ``ratio`` is None where nothing dangerous is among them.
    """

    subject: str
    dangerous: float  # rate of the dangerous faults
    detected: float  # of these, rate of those that stop the machine by themselves
    at_next_start: float  # of these, rate of those noticed then or at the next start
    ratio: float | None
    ratio_at_next_start: float | None
    band: str  # none, low, medium, high, or '-' without dangerous faults
    text: str


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


# -- layers --------------------------------------------------------------------------------------


class Carrier(Enum):
    """Which layer carries a requirement."""

    EITHER = "either layer alone"
    SEQUENCES = "the sequences"
    INTERLOCKS = "the interlocks"
    BOTH = "both together only"
    NONE = "none"  # broken even with both
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class LayerRow:
    """A hazard requirement judged three ways."""

    requirement: str
    hazard: str
    sequences: Judgement  # interlocks removed
    interlocks: Judgement  # every output demanded at will
    both: Judgement  # as the file has it
    carrier: Carrier
    text: str


@dataclass(frozen=True, slots=True)
class LayerTable:
    """Which layer carries each hazard requirement, under a fault budget."""

    machine: str
    faults: int
    tick: Milliseconds
    rows: tuple[LayerRow, ...]
    assumptions: tuple[str, ...]
    seconds: float
    tick_caution: str = ""  # what verdicts at another tick than the scan are worth


# -- strength ------------------------------------------------------------------------------------


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


# -- comparison ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FileChange:
    """One difference between two machine files, in words."""

    section: str  # inputs, outputs, memory, parts, sequences, interlocks, requirements, check, machine
    subject: str
    text: str
    old_line: int | None
    new_line: int | None


@dataclass(frozen=True, slots=True)
class VerdictChange:
    """A requirement whose verdict differs; None where a version does not have it."""

    requirement: str
    old: Word | None
    new: Word | None
    story: Story | None  # of the break in the new version, else in the old one


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two versions of a machine file.

    ``outputs`` is HOLDS if the outputs are the same after every input sequence (NOT_BROKEN if that was found
    at a longer tick than the scan), BROKEN if they come to differ (``difference`` is a shortest sequence
    after which they do), UNDECIDED if the search was cut short or the plants differ.
    """

    old: str
    new: str
    old_digest: str
    new_digest: str
    changes: tuple[FileChange, ...]
    verdicts: tuple[VerdictChange, ...]
    outputs: Word
    outputs_text: str  # what was shown, in a sentence, with what was covered
    difference: Story | None
    differing: tuple[str, ...]  # outputs that differ at the end of it
    exploration: Exploration | None
    assumptions: tuple[str, ...]
    seconds: float
    tick_caution: str = ""  # what verdicts at another tick than the scan are worth
