"""What is known of a fault before it is told as a row, however it was searched for.

What is universal over runs (it never breaks, stops, is not restless, works no longer than) is true of all
that is reached; what may happen was shown by a run. Where neither was found out it is None, or named as
unsure.
"""

from __future__ import annotations

from dataclasses import dataclass

from stillgate.controller.machine_file.field_types import Ticks

from ..results.verdict import Story

CUT_SHORT = "the search was cut short"
UNSEEN_CUT_SHORT = "the search for how long it can stay unseen was cut short"
NO_RUN = "sets of times do not rule it out, and no run was found that shows it"
NO_END = "sets of times give no longest time, and no run was found that goes on for ever"
"""Why something is not known."""


@dataclass(frozen=True, slots=True)
class FirstDifference:
    """What a fault changes first. None: not found out, and why."""

    differs: bool | None
    dangerous: bool | None  # an output with a hazard can be on that would be off
    why: str = CUT_SHORT


UNKNOWN = FirstDifference(None, None)


@dataclass(frozen=True, slots=True)
class FoundBreak:
    """A run that breaks a requirement: its ticks, and its story where there was time to tell it."""

    ticks: Ticks
    story: Story | None


@dataclass(frozen=True, slots=True)
class FaultFacts:
    """What is known of one fault.

    Attributes:
        breaks: by name of the broken requirement.
        unsure: requirements of which it is not known whether it breaks them, and why.
        begins: whether it ever takes effect; None: not found out.
        ends: whether every run comes to stand for good; None: not found out, and why.
        longest: ticks from its beginning until then, if so.
        at_most: the longest time may be less than ``longest``, which it never exceeds.
        restless: a run may stop and work again for ever, or that was not ruled out.
        situations: reachable situations with it; None where they were not listed one by one.
        once_shown: most ticks from where it first shows until the machine stands for good; None where that
            need not be, or was not found out. Told only where it need not stand before.
    """

    breaks: dict[str, FoundBreak]
    unsure: tuple[str, ...]
    why_unsure: str
    begins: bool | None
    ends: bool | None
    why_no_end: str
    longest: Ticks
    at_most: bool
    restless: bool
    situations: int | None
    first: FirstDifference
    once_shown: Ticks | None = None
