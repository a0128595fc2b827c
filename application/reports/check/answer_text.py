"""The answer of a check in a line: its word, the machine, and how many requirements it is about.

It is printed first and last, so that it is seen from whichever end somebody looks.
"""

from __future__ import annotations

from rich.console import Console

from stillgate.controller.expressions.durations import format_duration
from stillgate.interlocks.results.verdict import CheckResult, RequirementVerdict, Word

from ...console.prose import say
from ...console.words import MOST_NAMED, count_words, listed
from .verdict_table import STYLES


def write_answer(console: Console, result: CheckResult) -> None:
    """Prints the answer."""
    say(console, answer_words(result), style=STYLES[result.verdict], hanging=2)


def answer_words(result: CheckResult) -> str:
    """``HOLDS  press: all 4 requirements, 1 of them with any one fault``."""
    if not result.requirements and result.verdict is not Word.BROKEN:
        return f"NOTHING ASKED  {result.machine}: the file has no requirements"
    word = result.verdict.value.upper()
    if result.verdict is Word.BROKEN and result.tick != result.scan:
        word += f" AT {format_duration(result.tick)}"
    return f"{word}  {result.machine}: {_about(result)}"


def _about(result: CheckResult) -> str:
    groups = {
        word: [item for item in result.requirements if item.verdict is word]
        for word in (Word.BROKEN, Word.UNDECIDED, Word.NOT_BROKEN, Word.HOLDS)
    }
    if result.verdict is Word.BROKEN:
        return f"{_broken(result, groups)}{_decided(result)}"
    if groups[Word.UNDECIDED]:
        return f"{_some(result, groups[Word.UNDECIDED])}{_rest(groups, Word.UNDECIDED)}{_decided(result)}"
    if groups[Word.NOT_BROKEN]:
        one = len(result.requirements) == 1
        some = "its requirement does not" if one else f"none of {len(result.requirements)} requirements"
        some += f" break{'' if one else 's'} at a tick of {format_duration(result.tick)}"
        return f"{some}{_decided(result)}"
    if result.verdict is Word.HOLDS:
        return _held(result)
    return f"{_every(result)}, but not every reachable situation was seen{_decided(result)}"


def _broken(result: CheckResult, groups: dict[Word, list[RequirementVerdict]]) -> str:
    counters = [item.subject for item in result.findings if item.breaks]
    parts = []
    if groups[Word.BROKEN]:
        parts.append(_some(result, groups[Word.BROKEN]))
    if counters:
        kind = count_words(
            len(counters), "counter that leaves its bounds", "counters that leave their bounds"
        )
        parts.append(f"{kind}: {listed(counters, MOST_NAMED)}")
    return f"{' and '.join(parts)}{_rest(groups, Word.BROKEN)}"


def _some(result: CheckResult, items: list[RequirementVerdict]) -> str:
    names = listed([item.name for item in items], MOST_NAMED)
    return f"{len(items)} of {count_words(len(result.requirements), 'requirement')}: {names}"


def _rest(groups: dict[Word, list[RequirementVerdict]], said: Word) -> str:
    """Those that the answer is not about."""
    words = {Word.UNDECIDED: "undecided", Word.NOT_BROKEN: "not broken", Word.HOLDS: "hold"}
    others = [
        f"{len(groups[word])} {'holds' if text == 'hold' and len(groups[word]) == 1 else text}"
        for word, text in words.items()
        if groups[word] and word is not said
    ]
    return f"; {', '.join(others)}" if others else ""


def _decided(result: CheckResult) -> str:
    """What an answer at a longer tick than the scan is worth."""
    return "" if result.tick == result.scan else "; only --tick scan decides"


def _held(result: CheckResult) -> str:
    every, total = _every(result), len(result.requirements)
    if not result.faults:
        return f"{every}, without faults"
    must = sum(item.faults > 0 for item in result.requirements)
    if not must:
        return f"{every}, {'which need not' if total == 1 else 'none of which must'} withstand a fault"
    return f"{every}, {'' if total == 1 else f'{must} of them '}with any one fault"


def _every(result: CheckResult) -> str:
    total = len(result.requirements)
    return "its requirement" if total == 1 else f"all {total} requirements"
