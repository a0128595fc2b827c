"""The assumptions behind verdicts, topic by topic, and a small table of the limits that were rounded."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby

from rich.console import Console
from rich.text import Text

from stillgate.interlocks.results.assumption import Assumption, Limit, Topic
from stillgate.interlocks.results.verdict import CheckResult

from ...console.columns import aligned
from ...console.prose import bullet, say, section
from ...console.words import MOST_NAMED, count_words, listed

FEW = 2
"""Requirements of a limit that are named beside it."""


def write_assumptions(console: Console, result: CheckResult, *, everything: bool) -> None:
    """Prints all assumptions.

    Args:
        everything: with every name that they list; otherwise of many only the first few.
    """
    told = [item for item in result.assumed if item.topic is not Topic.MODEL]  # which the caution says
    section(console, f"Assumptions ({len(told)})")
    for topic, items in groupby(told, key=lambda item: item.topic):
        group = list(items)
        say(console, f"{topic.value} ({len(group)})", indent=2)
        for item in group:
            bullet(console, _sentence(item, None if everything else MOST_NAMED), indent=4)
            if item.limits:
                _limits(console, item.limits, everything=everything)
    if result.exclusions:
        section(console, "Faults left out, with the reason given (ISO 13849-2 fault exclusion)")
        for fault, reason in result.exclusions:
            bullet(console, f"{fault}: {reason}")


def _sentence(item: Assumption, most: int | None) -> str:
    if item.limits:
        return f"{item.lead}:"
    return f"{item.lead}: {listed(item.names, most)}." if item.names else item.lead


def _limits(console: Console, limits: Sequence[Limit], *, everything: bool) -> None:
    """A row a limit: what it counts as, and of which requirements."""
    rows = []
    for (time, counts), names in _grouped(limits):
        shown = listed(names, None) if everything or len(names) <= FEW else ""
        words = shown or f"{count_words(len(names), 'requirement')}"
        rows.append([Text(time), Text(counts), Text(words)])
    table = aligned(["limit", "counts as", "of"], rows, console.width - 6)
    for line in table.split("\n"):
        console.print(Text("      ") + line, soft_wrap=True)


def _grouped(limits: Iterable[Limit]) -> list[tuple[tuple[str, str], list[str]]]:
    found: dict[tuple[str, str], list[str]] = {}
    for limit in limits:
        found.setdefault((limit.time, limit.counts), []).append(limit.requirement)
    return list(found.items())
