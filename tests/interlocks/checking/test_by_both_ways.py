"""Single situations and sets of times, asked for one by one or together, judge a machine alike."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from engine import build_quickly
from machines_strategy import machine_text
from plants_strategy import twenty_machines
from stillgate import cli
from stillgate.controller.effort import Effort
from stillgate.controller.errors import ProgramFault
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.interlocks.checking.checker import check_within
from stillgate.interlocks.checking.loop_search import LoopSearch, Searched
from stillgate.interlocks.checking.search_plan import By
from stillgate.interlocks.results.verdict import CheckResult, Word

PRESS = Path(__file__).parents[3] / "machines" / "press_two_hand.yaml"


@pytest.fixture(autouse=True)
def quick_compile(monkeypatch: pytest.MonkeyPatch) -> None:
    """Unoptimised, since these searches take a moment."""
    build_quickly(monkeypatch)


def judged(by: By, faults: int = 0) -> CheckResult:
    return check_within(read_machine(PRESS), Effort(), faults=faults, by=by, use_cache=True)


def test_each_way_searches_what_it_is_asked_for() -> None:
    single, sets, both = (judged(by).exploration[0] for by in (By.SITUATIONS, By.SETS, By.BOTH))
    assert single.states > 10_000
    assert single.sets is None
    assert sets.states == 0
    assert sets.sets is not None
    assert both.states == single.states
    assert both.sets is not None
    assert both.sets.sets == sets.sets.sets < 100


def test_all_ways_say_the_same() -> None:
    said = [[item.verdict for item in judged(by).requirements] for by in By]
    assert all(words == said[0] for words in said)


def test_random_machines_are_judged_alike_by_both() -> None:
    decided = 0
    for text in twenty_machines(2)[:6]:
        document = read_machine_text(machine_text(text), "m.yaml")
        result = check_within(document, Effort(), tick=0, faults=1, by=By.BOTH)
        decided += sum(item.verdict is not Word.UNDECIDED for item in result.requirements)
    assert decided >= 8


@pytest.mark.parametrize("word", [Word.BROKEN, Word.HOLDS])
def test_a_contradiction_is_a_fault_of_the_program(word: Word, monkeypatch: pytest.MonkeyPatch) -> None:
    sets = LoopSearch.sets

    def other(self: LoopSearch, searched: Searched, effort: Effort) -> Searched:
        found = sets(self, searched, effort)
        wrong = {name: replace(item, word=word) for name, item in found.judgements.items()}
        return replace(found, judgements=wrong)

    monkeypatch.setattr(LoopSearch, "sets", other)
    path = PRESS if word is Word.BROKEN else PRESS.parent / "broken" / "press_plain_and.yaml"
    with pytest.raises(ProgramFault, match="single situations say"):
        check_within(read_machine(path), Effort(), faults=0, by=By.BOTH)


def test_a_break_that_sets_show_sooner_than_the_shortest_is_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    sets = LoopSearch.sets

    def sooner(self: LoopSearch, searched: Searched, effort: Effort) -> Searched:
        found = sets(self, searched, effort)
        wrong = {name: replace(item, depth=item.depth and 1) for name, item in found.judgements.items()}
        return replace(found, judgements=wrong)

    monkeypatch.setattr(LoopSearch, "sets", sooner)
    with pytest.raises(ProgramFault, match="single situations say"):
        check_within(
            read_machine(PRESS.parent / "broken" / "press_plain_and.yaml"), Effort(), faults=0, by=By.BOTH
        )


def test_the_command_takes_the_way(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run_command(["check", str(PRESS), "--faults", "0", "--by", "both"]) == 0
    assert "Sets of times do not contradict it" in " ".join(capsys.readouterr().out.split())
