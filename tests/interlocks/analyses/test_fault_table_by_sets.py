"""The fault table over sets of times, against single situations, a count of every run, and itself at longer
times."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from evidence_build import built_quickly
from machines_strategy import machine_text
from plain_faults import faults_told
from plants_strategy import twenty_machines
from sets_at_once import sets_at_once
from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import MachineDocument, read_machine, read_machine_text
from stillgate.interlocks.analyses import fault_table as fault_table_module
from stillgate.interlocks.analyses.fault_table import fault_table_of
from stillgate.interlocks.fault_effects import asked_by_fault, fault_sets, work_under_fault
from stillgate.interlocks.fault_effects.endless_runs import _Search
from stillgate.interlocks.loop.closed_loop import ClosedLoop
from stillgate.interlocks.results.fault_table_rows import NOT_STOPPED, FaultOutcome, FaultRow, FaultTable
from stillgate.interlocks.symbolic.fault_graph import FaultSearch, UnderFaultSets
from stillgate.interlocks.symbolic.search import SymbolicSearch
from stillgate.interlocks.symbolic.set_answers import Answers, SetAnswer, answers_of
from stillgate.interlocks.symbolic.step.emit_terms import TermWriter
from strength_machines import GUARDED

STOP_TIME = Path(__file__).parents[2] / "machines" / "false_verdicts" / "stop_time.yaml"


def by_sets(document: MachineDocument, effort: Effort | None = None) -> FaultTable:
    with sets_at_once():
        table = fault_table_of(document, effort=effort or Effort(threads=1), tick=document.machine.scan)
    assert not table.exploration.exhausted
    return table


def one_by_one(document: MachineDocument) -> FaultTable:
    with built_quickly():
        return fault_table_of(document, effort=Effort(threads=1), tick=document.machine.scan)


def agree(document: MachineDocument) -> list[FaultRow]:
    """The rows over sets, each column held against the row of a search of single situations."""
    known = {row.fault: row for row in one_by_one(document).rows}
    rows = by_sets(document).rows
    assert [row.fault for row in rows] == list(known)
    for row in rows:
        assert_agrees(row, known[row.fault])
    return list(rows)


ONLY_FOUND_ONE_BY_ONE = (FaultOutcome.STOPS_ONCE_SHOWN, FaultOutcome.LATER_START)
"""Sets of times leave it open that a machine stops once a fault shows, and often that a later start fails."""


def assert_agrees(row: FaultRow, known: FaultRow) -> None:
    if row.outcome in NOT_STOPPED and known.outcome in ONLY_FOUND_ONE_BY_ONE:
        pass  # the row says less, and nothing else
    elif row.outcome is not FaultOutcome.UNDECIDED:
        assert row.outcome is known.outcome, row.fault
    depths = {item.requirement: item.depth for item in known.breaks}
    for item in row.breaks:
        assert item.depth >= depths[item.requirement], row.fault
        assert item.story is not None
        assert (item.story.fault, item.story.ticks) == (row.fault, item.depth)
    missing = set(depths) - {item.requirement for item in row.breaks}
    assert all(name in row.text for name in missing), row.fault  # told as not known
    if row.stop_time is not None:
        assert known.stop_time is not None, row.fault
        assert row.stop_time >= known.stop_time, row.fault
        assert row.stop_at_most or row.stop_time == known.stop_time, row.fault
    assert not row.next_start or known.next_start, row.fault
    assert row.can_hold_on in (known.can_hold_on, None), row.fault
    assert (row.stay_off, row.not_again, row.channels) == (known.stay_off, known.not_again, known.channels)


def documents(chunk: int, count: int) -> list[MachineDocument]:
    texts = twenty_machines(chunk)[:count]
    return [read_machine_text(machine_text(text | {"check": {"faults": 1}}), "random.yaml") for text in texts]


def decided(rows: list[FaultRow]) -> float:
    return sum(row.outcome is not FaultOutcome.UNDECIDED for row in rows) / len(rows)


def test_a_machine_behind_a_guard_has_the_same_table_over_sets_as_one_by_one() -> None:
    document = read_machine_text(GUARDED, "guarded.yaml")
    rows = {row.fault: row for row in agree(document)}
    assert decided(list(rows.values())) == 1
    told = faults_told(document.machine, 1000)
    for name, item in told.items():
        assert rows[name].stop_time == item.longest, name
    bound = rows["start stuck on"]
    assert bound.stop_at_most
    assert (
        bound.text == "the machine stops within at most 500 ms, perhaps sooner, and cannot be started again"
    )
    assert not rows["guard_1 stuck off"].stop_at_most  # at once: nothing is less


def test_the_tables_of_random_machines_over_sets_are_those_of_single_situations() -> None:
    rows = [row for document in documents(0, 3) for row in agree(document)]
    assert decided(rows) > 0.9
    found = {row.outcome for row in rows}
    assert found >= {FaultOutcome.HIDDEN, FaultOutcome.STOPS}
    assert found & NOT_STOPPED


@pytest.mark.night
@pytest.mark.parametrize("chunk", range(1, 30))
def test_the_tables_of_many_random_machines_over_sets_are_those_of_single_situations(chunk: int) -> None:
    rows = [row for document in documents(chunk, 20) for row in agree(document)]
    assert decided(rows) > 0.9


def test_the_time_over_sets_counts_from_before_the_fault_shows() -> None:
    document = read_machine(STOP_TIME)
    rows = {row.fault: row for row in agree(document)}
    assert rows["still stuck off"].outcome is FaultOutcome.STOPS
    assert rows["still stuck off"].stop_time == 120


# -- longer times ----------------------------------------------------------------------------------


def pusher(times: int) -> MachineDocument:
    """A ram that goes out and back in some time; a switch that is missed ends the work for good."""

    def ms(time: int) -> str:
        return f"{time * times} ms"

    return read_machine_text(
        f"""
machine: pusher
scan: 10 ms
hazards: {{crushing: a hand before the ram}}
inputs:
  go: {{from: operator}}
  guard: {{from: operator, contact: normally_closed}}
  home: {{}}
  end: {{}}
outputs:
  out: {{hazard: crushing}}
  back: {{hazard: crushing}}
  lamp: {{}}
parts:
  ram:
    kind: travel
    stops: [rear, front]
    forward: out
    back: back
    takes: {100 * times}..{150 * times} ms
    starts: rear
    senses: {{home: at rear, end: at front}}
sequences:
  push:
    start: rest
    overrides: [{{when: not guard, to: failed}}]
    states:
      rest: {{exits: [{{when: rising(go) and home, to: outward}}]}}
      outward: {{on: [out], exits: [{{when: end, to: inward}}, {{after: {ms(200)}, to: failed}}]}}
      inward: {{on: [back], exits: [{{when: home, to: rest}}, {{after: {ms(200)}, to: failed}}]}}
      failed: {{end: true, on: [lamp]}}
interlocks:
  - {{hold_off: out, unless: guard, why: the guard}}
requirements:
  guard_stops: {{never: out and not guard, hazard: crushing}}
  one_way: {{never: out and back, hazard: crushing}}
  told: {{after: push.failed, then: lamp, within: {ms(20)}, hazard: crushing}}
check: {{faults: 1}}
""",
        "pusher.yaml",
    )


def test_longer_times_change_nothing_but_the_times() -> None:
    assert_scaled((10, 20))


@pytest.mark.night
def test_times_a_hundred_times_as_long_change_nothing_but_the_times() -> None:
    assert_scaled((10, 100))


def assert_scaled(longer: tuple[int, ...]) -> None:
    """Of longer times: the same rows, the same number of sets, longest times as much longer, but for what
    takes scans and not time."""
    tables = {times: by_sets(pusher(times)) for times in (1, *longer)}
    first = tables[1]
    assert {row.outcome for row in first.rows} >= {FaultOutcome.BREAKS, FaultOutcome.STOPS}
    assert decided(list(first.rows)) == 1
    assert first.exploration.sets is not None
    for times, table in tables.items():
        assert table.exploration.sets is not None
        if times > 10:
            assert table.exploration.sets.sets == tables[10].exploration.sets.sets  # type: ignore[union-attr]
        for row, known in zip(table.rows, first.rows, strict=True):
            assert (row.outcome, row.can_hold_on, row.next_start) == (
                known.outcome,
                known.can_hold_on,
                known.next_start,
            )
            assert {item.requirement for item in row.breaks} == {item.requirement for item in known.breaks}
            assert (row.stop_time is None) == (known.stop_time is None)
            if row.stop_time is not None and known.stop_time is not None:
                assert scaled_alike(known.stop_time, row.stop_time, times), row.fault


def scaled_alike(short: Milliseconds, long: Milliseconds, times: int) -> bool:
    """Whether a time is so many times another one, a few scans of either aside."""
    scans = 20
    return (short - scans) * times - scans <= long <= (short + scans) * times + scans


def test_the_table_of_the_pusher_is_that_of_single_situations() -> None:
    assert decided(agree(pusher(1))) == 1


# -- what is not known is not told ------------------------------------------------------------------


def test_a_search_without_memory_leaves_every_row_undecided(monkeypatch: pytest.MonkeyPatch) -> None:
    little = Effort(threads=1, bytes=200_000)
    monkeypatch.setattr(
        asked_by_fault, "FaultSearch", lambda loop, **how: FaultSearch(loop, **how | {"effort": little})
    )
    table = by_sets(read_machine_text(GUARDED))
    assert {row.outcome for row in table.rows} == {FaultOutcome.UNDECIDED}
    assert not table.exploration.whole
    assert all("cut short" in row.text for row in table.rows)


def test_a_fault_that_the_search_of_all_leaves_open_is_searched_by_itself(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    document = read_machine_text(GUARDED)
    table = by_sets(document)

    def only_one_by_one(search: SymbolicSearch, names: Sequence[str], **how: Any) -> Answers:
        if how["singly"]:
            return answers_of(search, names, **how)
        return Answers(dict.fromkeys(names, SetAnswer.UNKNOWN), {}, {})

    monkeypatch.setattr(asked_by_fault, "answers_of", only_one_by_one)
    assert by_sets(document).rows == table.rows


def test_ctrl_c_while_a_fault_is_searched_by_itself_keeps_what_is_known(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    known: list[Answers] = []

    def interrupted(search: SymbolicSearch, names: Sequence[str], **how: Any) -> Answers:
        if how["singly"]:
            raise KeyboardInterrupt
        known.append(answers_of(search, names, **how))
        return replace(known[-1], answers=known[-1].answers | {names[-1]: SetAnswer.UNKNOWN})

    monkeypatch.setattr(asked_by_fault, "answers_of", interrupted)
    document = read_machine_text(GUARDED)
    effort = Effort(threads=1)
    with sets_at_once():
        table = fault_table_of(document, effort=effort, tick=document.machine.scan)
    assert effort.stop.is_set()
    assert len(known) == 1, "nothing else is begun"
    assert table.exploration.sets is not None and table.exploration.sets.exhausted
    assert any("breaks" in row.text for row in table.rows)


def test_ctrl_c_in_the_first_search_leaves_the_rest_undecided(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(fault_sets, "_breaks", interrupted)
    table = by_sets(read_machine_text(GUARDED))
    assert table.exploration.stopped_by == "interrupt"
    assert {row.outcome for row in table.rows} == {FaultOutcome.UNDECIDED}


def test_a_deadline_that_has_passed_leaves_every_row_undecided(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fault_table_module, "few_situations", lambda *_: False)
    monkeypatch.setattr(Effort, "over", property(lambda self: False))
    monkeypatch.setattr(Effort, "look", out_of_time)
    table = by_sets(read_machine_text(GUARDED))
    assert {row.outcome for row in table.rows} == {FaultOutcome.UNDECIDED}


def out_of_time(_: Effort) -> None:
    raise OutOfTime


def test_without_a_run_that_goes_on_nobody_is_told_that_the_machine_does(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(fault_sets, "may_work_on", lambda *_, **__: False)
    rows = {row.fault: row for row in by_sets(read_machine_text(GUARDED)).rows}
    row = rows["guard_1 stuck on"]
    assert row.outcome is FaultOutcome.UNDECIDED
    assert row.stop_time is None
    assert "no run was found that goes on for ever" in row.text
    assert rows["start stuck on"].outcome is FaultOutcome.STOPS


# -- mistakes put back ------------------------------------------------------------------------------


def met(mistake: Callable[[pytest.MonkeyPatch], None], document: MachineDocument) -> list[str]:
    """The faults whose rows a mistake makes wrong."""
    known = {row.fault: row for row in one_by_one(document).rows}
    wrong = []
    with pytest.MonkeyPatch.context() as patch:
        mistake(patch)
        rows = by_sets(document).rows
    for row in rows:
        try:
            assert_agrees(row, known[row.fault])
        except AssertionError:
            wrong.append(row.fault)
    return wrong


def test_breaks_that_are_told_under_no_fault_are_met() -> None:
    """A false 'harmless', a false 'stops' and a break that is missing."""

    def told_under_no_fault(patch: pytest.MonkeyPatch) -> None:
        patch.setattr(TermWriter, "_event", lambda self, index: str(index))

    wrong = met(told_under_no_fault, read_machine_text(GUARDED))
    assert {"motor stuck on", "guard_1 stuck on", "lamp stuck on", "start stuck on"} <= set(wrong)


def test_a_count_that_came_to_its_end_taken_for_a_longest_time_is_met() -> None:
    """A false 'stops by itself'."""

    def bounded(patch: pytest.MonkeyPatch) -> None:
        real = FaultSearch.faults_lead_to

        def told(self: FaultSearch, phase: object, since: object = None) -> list[UnderFaultSets] | None:
            found = real(self, phase, since)  # type: ignore[arg-type]
            return found and [UnderFaultSets(item.restless, item.longest or 1) for item in found]

        patch.setattr(fault_sets, "may_work_on", lambda *_, **__: False)
        patch.setattr(FaultSearch, "faults_lead_to", told)

    assert "guard_1 stuck on" in met(bounded, read_machine_text(GUARDED))


def test_counting_from_when_a_fault_shows_is_met_over_sets() -> None:
    """A time that is too short."""

    def late(patch: pytest.MonkeyPatch) -> None:
        real = work_under_fault.close_loop

        def seen(machine: Machine, *, unseen: bool, **how: Any) -> ClosedLoop:
            return real(machine, **how)

        patch.setattr(work_under_fault, "close_loop", seen)

    assert "still stuck off" in met(late, read_machine(STOP_TIME))


def test_taking_every_rest_for_one_that_ends_is_met() -> None:
    """A false 'may work on for ever', which would hide that the fault stops the machine."""

    def hopeful(patch: pytest.MonkeyPatch) -> None:
        patch.setattr(_Search, "_works_after", lambda *_: True)

    assert "start stuck on" in met(hopeful, read_machine_text(GUARDED))


def test_a_circle_of_work_and_rest_that_is_missed_is_met() -> None:
    """A false 'a later start fails'."""

    def restless_nowhere(patch: pytest.MonkeyPatch) -> None:
        real = FaultSearch.faults_lead_to

        def told(self: FaultSearch, phase: object, since: object = None) -> list[UnderFaultSets] | None:
            found = real(self, phase, since)  # type: ignore[arg-type]
            return found and [UnderFaultSets(False, item.longest) for item in found]

        patch.setattr(FaultSearch, "faults_lead_to", told)

    assert "guard_1 stuck on" in met(restless_nowhere, read_machine_text(GUARDED))


def test_what_is_not_found_from_power_on_is_found_after_a_run_that_is_known(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Searches from power-on give up before they began; some rows rest on the known runs then."""

    def giving_up(search: FaultSearch, names: Sequence[str], **how: Any) -> Any:
        return SymbolicSearch.confirmed(search, names, **(how | {"most": 0}))

    document = read_machine_text(GUARDED)
    whole = by_sets(document).rows
    monkeypatch.setattr(FaultSearch, "confirmed", giving_up)
    found = by_sets(document).rows
    monkeypatch.setattr(asked_by_fault, "found_after", lambda *_: {})
    lost = by_sets(document).rows
    for row, known in zip(found, whole, strict=True):
        assert row.outcome in (known.outcome, FaultOutcome.UNDECIDED)
    assert sum(item.outcome is FaultOutcome.UNDECIDED for item in found) < sum(
        item.outcome is FaultOutcome.UNDECIDED for item in lost
    )
