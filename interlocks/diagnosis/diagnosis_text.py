"""A diagnosis in sentences that a technician can act on."""

from __future__ import annotations

from collections.abc import Sequence

from stillgate.controller.execution.reasons import join_words
from stillgate.controller.expressions.durations import format_moment
from stillgate.controller.machine_file.contact_words import level_of_contact
from stillgate.controller.machine_file.field_types import Milliseconds, Ticks

from .explanations import Refuted
from .state_set_tracking import Contradiction, Window

_MOST_PLACES = 3


def span_words(begins: Ticks, end: Ticks, period: Milliseconds) -> str:
    """From when to when a log tells something: ``1:30.000 of log``, ``12.500 s to 1:30.000``."""
    last = format_moment(end * period)
    return f"{format_moment(begins * period)} to {last}" if begins else f"{last} of log"


def contradiction_words(contradiction: Contradiction) -> str:
    """What was observed that cannot be: ``cutter_still was off, but cutter can only be still``."""
    seen = join_words(
        [
            f"{name} was {level_of_contact(contact, bool(level), as_read=True)}"
            for name, level, contact in zip(
                contradiction.inputs, contradiction.levels, contradiction.contacts, strict=True
            )
        ]
    )
    if contradiction.together:
        seen += " at once"
    places = _places(contradiction.before)
    return f"{seen}, but {places}" if places else f"{seen}, which it cannot be"


def _places(before: Sequence[tuple[tuple[str, str], ...]]) -> str:
    parts = list(dict.fromkeys(part for places in before for part, _ in places))
    told = []
    for part in parts:
        words = sorted({place for places in before for name, place in places if name == part})
        if len(words) <= _MOST_PLACES:
            told.append(f"{part} can only be {join_words(words, 'or')}")
    return join_words(told) if told else f"{join_words(parts)} can be nowhere that shows it"


def refuted_words(item: Refuted, period: Milliseconds) -> str:
    """When and by what a hypothesis fell."""
    if item.contradiction is None:
        return item.words
    return f"at {format_moment(item.scan * period)} {contradiction_words(item.contradiction)}"


def begun_words(window: Window | None, period: Milliseconds) -> str:
    """When a fault began, as far as the log tells."""
    if window is None:
        return ""
    low, high = window
    if high < 0:
        return "began before the log"
    latest = format_moment(high * period)
    if low < 0:
        return f"began at {latest} at the latest"
    if low == high:
        return f"began at {latest}"
    return f"began between {format_moment(low * period)} and {latest}"
