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
    """What a machine does under a fault; the first that fits, in this order.

    Those of ``NOT_STOPPED`` are told apart by what is lost and by who may see it; that nothing tells anybody
    of the fault is never ruled out for the last four.
    """

    BREAKS = "breaks a requirement"
    UNDECIDED = "undecided"  # the search was cut short
    HIDDEN = "changes no output"  # every output stays as it would be without the fault
    STOPS = "stops by itself"  # inevitably, and stays stopped
    PAUSES = "stops while it lasts"  # power: nothing is driven until it returns, then it may work again
    STOPS_ONCE_SHOWN = "stops once it shows"  # as STOPS, from the moment at which the signal should change
    LATER_START = "not stopped: a later start fails"
    MOTION_LOST = "not stopped: motion lost"  # an output with a hazard stays off
    CHANNEL_LOST = "not stopped: one channel lost"
    HELD_ON = "not stopped: may hold an output on"  # one with a hazard that would be off
    OTHER = "not stopped: another effect"

    @property
    def short(self) -> str:
        """The same for a crossing of a matrix."""
        return self.value.removeprefix("not stopped: ")


MEANING = {
    FaultOutcome.BREAKS: "some run in which the fault has begun breaks a requirement that is judged with one",
    FaultOutcome.UNDECIDED: "not found out; the reason is told",
    FaultOutcome.HIDDEN: (
        "no run differs in any output from the same run without the fault. Hidden: only a test or an "
        "inspection finds it, and a second fault may join it"
    ),
    FaultOutcome.STOPS: (
        "whatever operator and parts do, from some moment on no output with a hazard is on or can be turned "
        "on, a faulty output itself aside"
    ),
    FaultOutcome.PAUSES: "power is out and nothing is driven; after its return the machine may work again",
    FaultOutcome.STOPS_ONCE_SHOWN: (
        "the machine stops so from the moment at which the signal should be otherwise than it is stuck, as "
        "where the logic compares channels or waits for an answer. Before, it may stay hidden for ever"
    ),
    FaultOutcome.LATER_START: (
        "the controller does not stop the machine, but it cannot for ever stop and start under the fault, "
        "or an output with a hazard is not asked for again: seen at that start"
    ),
    FaultOutcome.MOTION_LOST: (
        "the controller does not stop the machine, but an output with a hazard stays off as long as the "
        "fault lasts: the operator sees it as soon as that output is asked for"
    ),
    FaultOutcome.CHANNEL_LOST: (
        "the machine may work on; what the contact would do by itself another one of the device still does, "
        "or what the output drives another output still keeps off. Hidden: needs a test"
    ),
    FaultOutcome.HELD_ON: (
        "the machine may work on, and in some run the first effect is that an output with a hazard is on "
        "that would be off. No requirement that is judged with a fault is broken. May be hidden: needs a test"
    ),
    FaultOutcome.OTHER: (
        "the machine may work on; in no run is the first effect that an output with a hazard is on that "
        "would be off. It may be seen, be hidden or only shift a time: that is not told apart"
    ),
}
"""What each outcome says, in the order in which the first that fits is taken."""

NOT_STOPPED = frozenset(
    {
        FaultOutcome.STOPS_ONCE_SHOWN,
        FaultOutcome.LATER_START,
        FaultOutcome.MOTION_LOST,
        FaultOutcome.CHANNEL_LOST,
        FaultOutcome.HELD_ON,
        FaultOutcome.OTHER,
    }
)
"""The machine may work on for ever with the fault."""

NEEDS_TEST = frozenset(
    {
        FaultOutcome.HIDDEN,
        FaultOutcome.STOPS_ONCE_SHOWN,
        FaultOutcome.CHANNEL_LOST,
        FaultOutcome.HELD_ON,
        FaultOutcome.OTHER,
    }
)
"""Nothing need tell anybody of the fault: somebody must find it in time."""


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
    ``can_hold_on`` says that the first difference the fault makes can be an output with a hazard that
    is on and would be off; None where that was not looked into.
    ``stop_once_shown`` is the longest time until the machine stands for good, from the first moment at which
    the signal should be otherwise than it is stuck; only where it need not stop before.
    ``stay_off``, ``not_again`` and ``channels``: see ``LostFunctions``.
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
    can_hold_on: bool | None = None
    stop_once_shown: Milliseconds | None = None
    stay_off: tuple[str, ...] = ()
    not_again: tuple[str, ...] = ()
    channels: tuple[str, ...] = ()
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

    Which failures are dangerous, and at which rate, somebody has declared; rates are relative numbers, one a
    fault. ``ratio`` is None where all of them are 0, and where it ``is_open`` what one of them leads to.
    """

    subject: str
    dangerous: float  # rate of the dangerous faults
    detected: float  # of these, rate of those that stop the machine, at once or once they show
    at_next_start: float  # of these, rate of those noticed then or at the next start
    ratio: float | None
    ratio_at_next_start: float | None
    band: str  # none, low, medium, high, or '-' without a rate
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
    coverage: tuple[Coverage, ...]  # of signals whose dangerous failures were declared
    assumptions: tuple[str, ...]  # definitions and assumptions, rates included
    exclusions: tuple[tuple[str, str], ...]  # (fault, reason)
    exploration: Exploration
    seconds: float
    pairs: tuple[FaultRow, ...] = ()  # rows of two faults, where asked for
    pairs_text: str = ""  # what was covered of the pairs
    pairs_undecided: int = 0  # pairs whose search was cut short or never begun
    tick_caution: str = ""  # what verdicts at another tick than the scan are worth
