"""Longest times under a fault, against a count of every run, the fault beginning at any moment."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from evidence_build import built_quickly
from machines_strategy import MachineDict, Size, apart, machine_text
from plain_faults import Told, faults_told
from plants_strategy import closed_machine_dicts
from stillgate.controller.effort import Effort
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import MachineDocument, read_machine, read_machine_text
from stillgate.interlocks.analyses import fault_table as fault_table_module
from stillgate.interlocks.analyses.fault_table import fault_table_of
from stillgate.interlocks.results.fault_table_rows import FaultOutcome, FaultRow
from strength_machines import GUARDED

STOP_TIME = Path(__file__).parents[2] / "machines" / "false_verdicts" / "stop_time.yaml"

TINY = Size(sequences=1, states=4, inputs=2, outputs=2, bits=0, counters=0, times=(0, 10, 20), depth=0)

COUNT = 6
"""Random machines at every run, and in each chunk at night."""


def rows_of(document: MachineDocument) -> dict[str, FaultRow]:
    with built_quickly():
        table = fault_table_of(document, effort=Effort(threads=1), tick=document.machine.scan)
    return {row.fault: row for row in table.rows}


def compared(document: MachineDocument, told: dict[str, Told]) -> dict[str, FaultRow]:
    """The rows, each held against what was counted."""
    rows = rows_of(document)
    for name, item in told.items():
        row = rows[name]
        assert row.stop_time == item.longest, name
        assert row.next_start is (item.longest is None and not item.restless), name
    return rows


@cache
def ending(chunk: int) -> list[tuple[MachineDict, dict[str, Told]]]:
    """Random machines that may come to an end, with what was counted; small ones with a time to tell.

    One state of each is an end, or hardly any fault would stop a machine for good.
    """
    found: list[tuple[MachineDict, dict[str, Told]]] = []
    for item in apart(closed_machine_dicts(TINY, ("never",)), 40, first=1 + 40 * chunk):
        (sequence,) = item["sequences"].values()
        others = [state for state in sequence["states"] if state != sequence["start"]]
        if not others:
            continue
        sequence["states"][others[-1]] = {"end": True}
        item["check"] = {"faults": 1}
        try:
            told = faults_told(Machine.model_validate(item), 150)
        except OverflowError:
            continue
        if any(it.longest for it in told.values()):
            found.append((item, told))
        if len(found) == COUNT:
            break
    return found


def agree(chunk: int) -> None:
    drawn = ending(chunk)
    assert len(drawn) >= COUNT / 2
    for item, told in drawn:
        compared(read_machine_text(machine_text(item), "random.yaml"), told)


def test_the_longest_times_of_random_machines_are_those_of_every_run() -> None:
    agree(0)


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(1, 20))
def test_the_longest_times_of_many_random_machines_are_those_of_every_run(chunk: int) -> None:
    agree(chunk)


def test_the_time_counts_from_before_the_fault_shows() -> None:
    """'still' breaks when the rotor has just begun to turn, and is missed only when it should be still again.

    Start: 3 scans driven, 4 scans braked; the fault begins in the second of these 7.
    """
    document = read_machine(STOP_TIME)
    rows = compared(document, faults_told(document.machine))
    assert rows["still stuck off"].outcome is FaultOutcome.STOPS
    assert rows["still stuck off"].stop_time == 120


def test_the_times_of_a_machine_behind_a_guard_are_those_of_every_run() -> None:
    document = read_machine_text(GUARDED, "guarded.yaml")
    compared(document, faults_told(document.machine, 1000))


def test_counting_from_when_a_fault_shows_is_met(monkeypatch: pytest.MonkeyPatch) -> None:
    """The mistake put back, on the random machines of every run."""
    monkeypatch.setattr(fault_table_module, "from_any_moment", lambda loop, found, *more: found)

    def differs(item: MachineDict, told: dict[str, Told]) -> bool:
        rows = rows_of(read_machine_text(machine_text(item), "random.yaml"))
        return any(rows[name].stop_time != it.longest for name, it in told.items())

    assert any(differs(item, told) for item, told in ending(0))


# -- power ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("exits", "outcome"),
    [
        ("{when: go, to: on_again}", FaultOutcome.PAUSES),
        ("{when: false and go, to: on_again}", FaultOutcome.STOPS),
    ],
)
def test_a_machine_that_may_work_after_power_returns_does_not_stay_stopped(
    exits: str, outcome: FaultOutcome
) -> None:
    """An operator may start it again, so 'stops by itself' would be a false word."""
    text = f"""
machine: m
scan: 10 ms
inputs: {{go: {{from: operator}}}}
outputs: {{motor: {{}}}}
sequences:
  s:
    start: rest
    states:
      rest: {{exits: [{exits}]}}
      on_again: {{on: [motor], exits: [{{after: 20 ms, to: rest}}]}}
check: {{faults: 1}}
"""
    row = rows_of(read_machine_text(text, "m.yaml"))["power interrupted"]
    assert row.outcome is outcome
    assert row.stop_time == (None if outcome is FaultOutcome.PAUSES else 0)
    assert ("may work again" in row.text) is (outcome is FaultOutcome.PAUSES)


def test_a_second_search_that_was_cut_short_leaves_its_rows_undecided(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from stillgate.interlocks.analyses import fault_times

    real = fault_times.FaultExplorer
    monkeypatch.setattr(
        fault_times, "FaultExplorer", lambda loop, library, effort: real(loop, library, Effort(states=2))
    )
    row = rows_of(read_machine(STOP_TIME))["still stuck off"]
    assert row.outcome is FaultOutcome.UNDECIDED
    assert row.stop_time is None
    assert "unseen" in row.text
