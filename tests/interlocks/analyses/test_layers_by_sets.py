"""Layers over sets of times, against single situations."""

from __future__ import annotations

from typing import Any

import pytest

from evidence_build import built_quickly
from machines_strategy import machine_text
from plants_strategy import twenty_machines
from sets_at_once import sets_at_once
from stillgate.controller.effort import Effort
from stillgate.controller.machine_file.machine import FromAnywhere, Machine, Reach
from stillgate.controller.reading.reader import MachineDocument, read_machine_text
from stillgate.interlocks.analyses.layer_table import layers
from stillgate.interlocks.checking import staged_search
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.results.layer_rows import Carrier, LayerTable
from stillgate.interlocks.results.verdict import Word
from stillgate.interlocks.symbolic.set_answers import Decided
from strength_machines import GUARDED

OVERRIDE = "overrides: [{when: not guard_1 or not guard_2, to: stopped}]"
INTERLOCK = "interlocks:\n  - {hold_off: motor, unless: guard_1 and guard_2, why: the guard}\n"

EITHER_WAY = GUARDED
BY_INTERLOCKS = GUARDED.replace(OVERRIDE, "overrides: []")
BY_SEQUENCES = GUARDED.replace(INTERLOCK, "")


def by_sets(document: MachineDocument, faults: int = 0) -> LayerTable:
    with sets_at_once():
        result = check(document, use_cache=False)
        return layers(document, result, faults=faults, effort=Effort(threads=1))


def one_by_one(document: MachineDocument, faults: int = 0) -> LayerTable:
    with built_quickly():
        return layers(document, check(document), faults=faults, effort=Effort(threads=1))


def agree(document: MachineDocument) -> list[tuple[Word, Word]]:
    """The words of both layers over sets, each that of single situations or undecided."""
    known = {row.requirement: row for row in one_by_one(document).rows}
    words: list[tuple[Word, Word]] = []
    for row in by_sets(document).rows:
        other = known[row.requirement]
        assert row.sequences.word in (other.sequences.word, Word.UNDECIDED), row.requirement
        assert row.interlocks.word in (other.interlocks.word, Word.UNDECIDED), row.requirement
        words.append((row.sequences.word, row.interlocks.word))
    return words


def with_hazards(text: dict[str, Any]) -> MachineDocument:
    """The machine at its scan, with a hazard named by every requirement that may."""
    machine = Machine.model_validate(text)
    requirements = {
        name: item
        if isinstance(machine.requirements[name], Reach | FromAnywhere)
        else item | {"hazard": "any", "faults": 0}
        for name, item in text["requirements"].items()
    }
    own = {"hazards": {"any": "whatever it is"}, "requirements": requirements, "check": {"faults": 0}}
    return read_machine_text(machine_text(text | own), "random.yaml")


@pytest.mark.parametrize(
    ("text", "carrier"),
    [
        (EITHER_WAY, Carrier.EITHER),
        (BY_INTERLOCKS, Carrier.INTERLOCKS),
        (BY_SEQUENCES, Carrier.SEQUENCES),
    ],
)
def test_the_layer_that_is_left_carries_the_requirement_over_sets(text: str, carrier: Carrier) -> None:
    row = by_sets(read_machine_text(text)).rows[0]
    assert row.carrier is carrier
    for judgement in (row.sequences, row.interlocks):
        assert (judgement.story is not None) is (judgement.word is Word.BROKEN)


def test_the_layers_of_random_machines_over_sets_are_those_of_single_situations() -> None:
    words = [pair for text in twenty_machines(0)[:4] for pair in agree(with_hazards(text))]
    assert {word for pair in words for word in pair} >= {Word.HOLDS, Word.BROKEN}


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(1, 15))
def test_the_layers_of_many_random_machines_over_sets_are_those_of_single_situations(chunk: int) -> None:
    for text in twenty_machines(chunk):
        agree(with_hazards(text))


def test_what_sets_leave_open_holds_with_no_layer(monkeypatch: pytest.MonkeyPatch) -> None:
    real = staged_search.decide

    def without_memory(*args: Any, effort: Effort, **how: Any) -> Decided:
        return real(*args, effort=Effort(threads=1, bytes=200_000), **how)

    monkeypatch.setattr(staged_search, "decide", without_memory)
    row = by_sets(read_machine_text(EITHER_WAY)).rows[0]
    assert {row.sequences.word, row.interlocks.word} == {Word.UNDECIDED}
    assert row.carrier is Carrier.UNDECIDED
