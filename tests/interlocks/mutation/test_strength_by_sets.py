"""Strength over sets of times, against single situations."""

from __future__ import annotations

from typing import Any

import pytest

from evidence_build import built_quickly
from machines_strategy import machine_text
from plants_strategy import twenty_machines
from sets_at_once import sets_at_once
from stillgate.controller.effort import Effort
from stillgate.controller.reading.reader import MachineDocument, read_machine_text
from stillgate.interlocks.checking import staged_checker
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.mutation.mutation_run import strength
from stillgate.interlocks.results.weakenings import StrengthList
from strength_machines import GUARDED


def by_sets(document: MachineDocument, faults: int) -> StrengthList:
    with sets_at_once(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(staged_checker, "A_FEW", 1)
        result = check(document, faults=faults, use_cache=False)
        assert not result.exploration[0].exhausted
        with built_quickly():
            return strength(document, result, full=True, effort=Effort(threads=1))


def one_by_one(document: MachineDocument, faults: int) -> StrengthList:
    with built_quickly():
        return strength(document, check(document, faults=faults), full=True, effort=Effort(threads=1))


def agree(document: MachineDocument, faults: int) -> list[bool | None]:
    """Whether each weakening is noticed over sets: as over single situations, or undecided."""
    known = one_by_one(document, faults).weakenings
    found = by_sets(document, faults).weakenings
    for item, other in zip(found, known, strict=True):
        assert item.text == other.text
        assert item.noticed in (other.noticed, None), item.text
    return [item.noticed for item in found]


@pytest.mark.parametrize("faults", [0, 1])
def test_what_a_machine_behind_a_guard_notices_over_sets_is_what_it_notices_one_by_one(faults: int) -> None:
    noticed = agree(read_machine_text(GUARDED), faults)
    assert set(noticed) >= {True, False}
    assert noticed.count(None) <= len(noticed) // 10


STAYS_COOLING = """\
machine: cooled
scan: 10 ms
hazards: {burn: a hand reaches the plate}
inputs:
  start: {from: operator}
outputs:
  heater: {hazard: burn}
sequences:
  main:
    start: off
    states:
      off: {exits: [{when: rising(start), to: heating}]}
      heating: {on: [heater], exits: [{after: 200 ms, to: cooling}]}
      cooling: {exits: [{after: 300 ms, to: off}]}
requirements:
  can_heat: {from_anywhere: heater}
"""


def test_a_weakening_that_cuts_a_goal_off_is_noticed_over_sets() -> None:
    noticed = agree(read_machine_text(STAYS_COOLING), 0)
    found = by_sets(read_machine_text(STAYS_COOLING), 0).weakenings
    assert noticed.count(None) == 0
    removed = [item for item in found if item.text == "main: cooling, exit 1 to off: exit removed"]
    assert [item.by for item in removed] == ["can_heat"]


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(6))
def test_what_random_machines_notice_over_sets_is_what_they_notice_one_by_one(chunk: int) -> None:
    for text in twenty_machines(chunk)[:5]:
        agree(read_machine_text(machine_text(text | {"check": {"faults": 1}}), "random.yaml"), 1)


def test_what_sets_leave_open_is_neither_noticed_nor_unnoticed(monkeypatch: pytest.MonkeyPatch) -> None:
    real = staged_checker.SymbolicSearch

    def without_memory(*args: Any, effort: Effort, **how: Any) -> Any:
        return real(*args, effort=Effort(threads=1, bytes=200_000), **how)

    monkeypatch.setattr(staged_checker, "SymbolicSearch", without_memory)
    found = by_sets(read_machine_text(GUARDED), 0)
    assert {item.noticed for item in found.weakenings if item.kind.value != "debounce"} == {None}
    open_ = [item for item in found.weakenings if item.noticed is None]
    assert all("sets of times were stopped by the memory cap" in item.reason for item in open_)
