"""Wordings that several reports share, so that text and JSON never differ."""

from __future__ import annotations

from stillgate.controller.durations import format_duration
from stillgate.interlocks.verdict import Cause, Change, Judgement, Word

CAUTION = (
    "This is a check of a model under the assumptions above, not of a machine. Local codes, and a"
    " licensed or otherwise competent person, decide whether a machine may be built and used."
)

WHO = {
    Cause.OPERATOR: "operator",
    Cause.FREE: "surroundings",
    Cause.PART: "switch",
    Cause.FAULT: "fault",
    Cause.CONTROLLER: "controller",
}
"""Who made a value change, in the words of a story."""

NUMBERS = ("no", "one", "two", "three")


def fault_words(count: int) -> str:
    """``no fault``, ``one fault``, ``2 faults`` ..."""
    if count < 2:
        return f"{NUMBERS[count]} fault"
    return f"{NUMBERS[count] if count < len(NUMBERS) else count} faults"


def judgement_words(judgement: Judgement, scan: int) -> str:
    """A verdict with what qualifies it: a bare 'holds' only if the tick is the scan."""
    match judgement.word:
        case Word.HOLDS:
            return "holds" if judgement.tick == scan else f"holds at {format_duration(judgement.tick)}"
        case Word.BROKEN:
            if judgement.depth is None:
                return "broken"
            return f"broken after {format_duration(judgement.depth * judgement.tick)}"
        case Word.UNDECIDED:
            return "undecided"


def change_words(change: Change) -> str:
    """One change: ``start goes on``, ``main: resting -> running``, ``guard stuck on``."""
    if change.cause is Cause.FAULT:
        return change.name if change.after in ("", "on", "present") else f"{change.name}: {change.after}"
    if change.after in ("on", "off"):
        return f"{change.name} goes {change.after}"
    return f"{change.name}: {change.before} → {change.after}"


def count_words(count: int, one: str, many: str | None = None) -> str:
    """``1 state``, ``12 345 states`` (a thin gap every three digits)."""
    return f"{grouped(count)} {one if count == 1 else many or one + 's'}"


def grouped(count: int) -> str:
    """A whole number with a space every three digits, as ISO 80000-1 groups them."""
    return f"{count:,}".replace(",", " ")
