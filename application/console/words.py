"""Wordings that several reports share, so that text and JSON never differ."""

from __future__ import annotations

from collections.abc import Sequence

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.contact_words import change_of_contact
from stillgate.interlocks.results.instant import value_text
from stillgate.interlocks.results.verdict import (
    Cause,
    Exploration,
    Judgement,
    SetsCovered,
    SliceCovered,
    StoryChange,
    Word,
)

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

LEVELS = ("on", "off")
NUMBERS = ("no", "one", "two", "three")


def fault_words(count: int) -> str:
    """``no fault``, ``one fault``, ``2 faults`` ..."""
    if count < 2:
        return f"{NUMBERS[count]} fault"
    return f"{NUMBERS[count] if count < len(NUMBERS) else count} faults"


def verdict_words(word: Word, tick: int, scan: int) -> str:
    """A verdict with the tick at which it was found, where that is not the scan: ``broken at 100 ms``."""
    if tick == scan or word is Word.UNDECIDED:
        return word.value
    return f"{word.value} at {format_duration(tick)}"


def judgement_words(judgement: Judgement, scan: int) -> str:
    """A verdict with what qualifies it: ``holds``, ``broken after 180 ms``, ``not broken at 100 ms``."""
    said = verdict_words(judgement.word, judgement.tick, scan)
    if said != Word.BROKEN.value or judgement.story is None or not judgement.story.steps:
        return said
    time = judgement.story.steps[-1].time
    return f"{said} after {format_duration(time)}" if time else f"{said} at power-on"


def who_words(change: StoryChange) -> str:
    """Who made the change: ``operator``, ``switch``, ``fault`` ..."""
    if change.cause is Cause.PART and change.after not in LEVELS:
        return "part"
    return WHO[change.cause]


def change_words(change: StoryChange) -> str:
    """One change: ``start goes on``, ``estop_1 opens (actuated)``, ``main stopped → running``."""
    if change.contact is not None:
        return f"{change.name} {change_of_contact(change.contact, change.after == value_text(True))}"
    if change.after in LEVELS and change.before in LEVELS:
        return f"{change.name} goes {change.after}"
    if change.cause is Cause.FAULT:
        return f"{change.name} {change.after}"
    return f"{change.name} {change.before} → {change.after}"


def level_words(value: int) -> str:
    """``on`` and ``off`` for a truth, digits for a number."""
    if isinstance(value, bool):
        return "on" if value else "off"
    return str(value)


def count_words(count: int, one: str, many: str | None = None) -> str:
    """``1 state``, ``12 345 states``."""
    return f"{grouped(count)} {one if count == 1 else many or one + 's'}"


def grouped(count: float) -> str:
    """A whole number with a space that does not break every three digits (ISO 80000-1)."""
    return f"{count:,.0f}".replace(",", "\N{NO-BREAK SPACE}")


def sets_words(sets: SetsCovered) -> str:
    """What a search over sets of times covered."""
    reach = "every reachable situation"
    if sets.stopped_by:
        reach = f"stopped by the {sets.stopped_by} before {reach} was covered"
    elif sets.unsure:
        reach += f", but whether {', '.join(sets.unsure)} leaves its bounds is not known"
    compared = f", compared with its C at {count_words(sets.points, 'point')}" if sets.points else ""
    return (
        f"{reach}, in {count_words(sets.sets, 'set')} of times, {grouped(sets.steps)} steps{compared};"
        " stories found so need not be the shortest"
    )


def with_sets(words: str, item: Exploration) -> str:
    """What single situations covered, then what sets did; only the latter where nothing else was tried."""
    if item.sets is None:
        return words
    if not item.states:
        return sets_words(item.sets)
    if item.exhausted:
        return f"{words}. Sets of times do not contradict it: {sets_words(item.sets)}"
    return f"{words}. What that left open was asked of sets of times: {sets_words(item.sets)}"


MOST_NAMED = 6
"""Names that are listed on a screen; of more, only how many."""


def slice_words(item: SliceCovered, most: int | None = None) -> str:
    """What a slice is, and what is judged over it.

    Args:
        most: names to list of each kind; None for all.
    """
    judged = listed(item.requirements, most) or "findings alone"
    total = len(item.kept) + len(item.left_out)
    few, many = listed(item.kept, most), listed(item.left_out, most)
    over = f"{len(item.kept)} of {total} names, without {many}"
    if len(item.kept) <= len(item.left_out):
        over = f"{few} ({len(item.kept)} of {total} names)"
    return f"{judged}, over {over}"


def listed(names: Sequence[str], most: int | None) -> str:
    """``a, b, c and 4 more``."""
    if most is None or len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[: most - 1])} and {len(names) - most + 1} more"


def beside_slices(words: str, item: Exploration) -> str:
    """What the search of the whole covered, where slices go on."""
    if not item.slices:
        return words
    each = "each requirement was judged over all that can affect it"
    if not item.states:
        return f"{fault_words(item.faults)}: {each}, with no search of the whole machine"
    return f"{words}. So {each}"
