"""Two versions held side by side over sets of times, against single situations."""

from __future__ import annotations

from typing import Any

import pytest

from evidence_build import built_quickly
from machines_strategy import machine_text
from plants_strategy import twenty_machines
from sets_at_once import sets_at_once
from stillgate.controller.effort import Effort
from stillgate.controller.reading.reader import MachineDocument, read_machine_text
from stillgate.interlocks.analyses.version_diff import compare
from stillgate.interlocks.checking import staged_search
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.results.comparison import Comparison
from stillgate.interlocks.results.verdict import Word
from stillgate.interlocks.symbolic.set_answers import Decided
from strength_machines import GUARDED


def by_sets(old: MachineDocument, new: MachineDocument) -> Comparison:
    with sets_at_once():
        own = check(old, faults=0, use_cache=False)
        return compare(old, new, (own, own), effort=Effort(threads=1))


def one_by_one(old: MachineDocument, new: MachineDocument) -> Comparison:
    with built_quickly():
        own = check(old, faults=0)
        return compare(old, new, (own, own), effort=Effort(threads=1))


def versions(text: dict[str, Any]) -> list[MachineDocument]:
    """A machine, and the same without interlocks: where these never hold anything off, nothing differs."""
    own = text | {"requirements": {}, "check": {"faults": 0}}
    both = (own, own | {"interlocks": []})
    return [read_machine_text(machine_text(item), f"v{number}.yaml") for number, item in enumerate(both)]


def agree(old: MachineDocument, new: MachineDocument) -> Word:
    """What sets say: as single situations, or undecided; what differs was stepped, and not earlier."""
    known, found = one_by_one(old, new), by_sets(old, new)
    assert found.outputs in (known.outputs, Word.UNDECIDED)
    if found.outputs is Word.BROKEN:
        assert found.difference is not None
        assert known.difference is not None
        assert found.difference.ticks >= known.difference.ticks
        assert found.differing
    return found.outputs


def test_versions_of_random_machines_differ_over_sets_where_they_do_one_by_one() -> None:
    words = [agree(*versions(text)) for text in twenty_machines(0)[:5]]
    assert {Word.HOLDS, Word.BROKEN} <= set(words)
    assert words.count(Word.UNDECIDED) <= 1


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(1, 15))
def test_versions_of_many_random_machines_differ_over_sets_where_they_do_one_by_one(chunk: int) -> None:
    for text in twenty_machines(chunk):
        agree(*versions(text))


LONG = GUARDED.replace("scan: 100 ms", "scan: 1 ms").replace("after: 500 ms", "after: 5 s")


def test_versions_with_long_times_are_decided_and_the_text_says_what_rests_on_sets() -> None:
    old = read_machine_text(LONG)
    same = by_sets(old, read_machine_text(LONG.replace("after: 5 s", "after: 5000 ms")))
    assert same.outputs is Word.HOLDS
    assert "sets of times hold every situation" in same.outputs_text
    other = by_sets(old, read_machine_text(LONG.replace("after: 5 s", "after: 5001 ms")))
    assert other.outputs is Word.BROKEN
    assert "perhaps earlier" in other.outputs_text
    assert other.difference is not None
    assert other.difference.ticks > 5_000


def test_what_sets_leave_open_is_undecided(monkeypatch: pytest.MonkeyPatch) -> None:
    real = staged_search.decide

    def without_memory(*args: Any, effort: Effort, **how: Any) -> Decided:
        return real(*args, effort=Effort(threads=1, bytes=200_000), **how)

    monkeypatch.setattr(staged_search, "decide", without_memory)
    document = read_machine_text(GUARDED)
    found = by_sets(document, document)
    assert found.outputs is Word.UNDECIDED
    assert found.outputs_text.startswith("undecided: ")
