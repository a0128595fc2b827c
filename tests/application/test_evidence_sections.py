"""Sections on faults, layers, weakenings and the second opinion, from results made by hand."""

from __future__ import annotations

import dataclasses

import pytest

from stillgate.commands.new import starter_text
from stillgate.controller.reading.reader import read_machine_text
from stillgate.diagrams.pages.report_page import Bullets, Part, Prose, Section, TableBlock
from stillgate.interlocks.analyses.cross_check import CrossCheck, CrossCheckRow
from stillgate.interlocks.results.fault_table_rows import (
    Coverage,
    FaultBreak,
    FaultOutcome,
    FaultRow,
    FaultTable,
)
from stillgate.interlocks.results.layer_rows import Carrier, LayerRow, LayerTable
from stillgate.interlocks.results.verdict import Judgement, Word
from stillgate.interlocks.results.weakenings import StrengthList, Weakening, WeakeningKind
from stillgate.reports.evidence_report.cross_check import cross_check_points, cross_check_section
from stillgate.reports.evidence_report.faults import fault_points, fault_section
from stillgate.reports.evidence_report.open_points import open_points_section
from stillgate.reports.evidence_report.strength import (
    all_weakenings,
    layer_points,
    layer_section,
    strength_points,
    strength_section,
)
from stillgate.reports.evidence_report.verdicts import requirement_table, verdicts_section

from .samples import SCAN, broken, exploration, holding, result, undecided


def tables(section: Section) -> dict[str, TableBlock]:
    blocks = [*section.blocks, *(block for part in section.parts for block in part.blocks)]
    return {block.table.name: block for block in blocks if isinstance(block, TableBlock)}


def faults() -> FaultTable:
    beyond = FaultBreak("one_direction", "crushing", counts=False, depth=5, story=None)
    counts = FaultBreak("edge_stops_it", "crushing", counts=True, depth=7, story=None)
    return FaultTable(
        machine="yard_gate",
        rows=(
            FaultRow(
                "stop_ok stuck on",
                "input stuck on",
                "stop_ok",
                FaultOutcome.BREAKS,
                "breaks",
                (beyond, counts),
            ),
            FaultRow(
                "stop_ok stuck off", "input stuck off", "stop_ok", FaultOutcome.STOPS, "stops", stop_time=300
            ),
            FaultRow("edge stuck on", "input stuck on", "edge", FaultOutcome.BREAKS, "breaks", (beyond,)),
            FaultRow(
                "lamp stuck on", "output stuck on", "lamp", FaultOutcome.HIDDEN, "hidden", can_hold_on=False
            ),
            FaultRow(
                "gate stuck off", "input stuck off", "gate", FaultOutcome.HELD_ON, "quiet", can_hold_on=True
            ),
            FaultRow("power interrupted", "power interrupted", "", FaultOutcome.UNDECIDED, "cut short"),
        ),
        coverage=(
            Coverage("stop_ok", 2, 1, 2, 0.5, 1.0, "none", "half"),
            Coverage("lamp", 0, 0, 0, None, None, "-", "no"),
        ),
        assumptions=("equal rates",),
        exclusions=(),
        exploration=exploration(exhausted=False),
        seconds=1,
    )


def test_every_fault_has_its_row_and_a_break_that_counts_stands_out() -> None:
    machine = read_machine_text(starter_text("press"), "press.yaml").machine
    section = fault_section(machine, faults(), result(holding()))
    block = tables(section)["faults_single"]
    assert [row[0] for row in block.table.rows] == [row.fault for row in faults().rows]
    assert [row[1] for row in block.table.rows] == [row.outcome.value for row in faults().rows]
    assert block.words == {(0, 1): "broken", (2, 1): "minor", (5, 1): "undecided"}
    assert block.table.rows[1][3] == "300 ms"
    assert block.anchors[5] == "fault-power-interrupted"
    assert [row[4] for row in tables(section)["coverage"].table.rows] == ["50%", "-"]


def quiet(fault: str, outcome: FaultOutcome) -> FaultRow:
    subject, _, level = fault.partition(" ")
    return FaultRow(fault, f"input {level}", subject, outcome, "quiet")


def test_faults_that_may_stay_hidden_are_grouped_by_what_they_belong_to() -> None:
    machine = read_machine_text(starter_text("press"), "press.yaml").machine
    rows = (
        quiet("start stuck on", FaultOutcome.HELD_ON),
        quiet("start stuck off", FaultOutcome.HELD_ON),
        quiet("still stuck on", FaultOutcome.HELD_ON),
        quiet("still stuck off", FaultOutcome.HIDDEN),
        quiet("motor stuck off", FaultOutcome.MOTION_LOST),
        quiet("motor stuck on", FaultOutcome.CHANNEL_LOST),
        quiet("lamp stuck on", FaultOutcome.OTHER),
    )
    section = fault_section(machine, dataclasses.replace(faults(), rows=rows), result(holding()))
    part = next(part for part in section.parts if part.name == "part-faults-to-be-tested")
    assert isinstance(part.blocks[0], Prose)
    assert "breaks a requirement that is judged with a fault" in part.blocks[0].paragraphs[0]
    table = tables(section)["faults_to_be_tested"].table
    assert table.head == (
        "belongs to", "changes no output", "one channel lost", "may hold an output on", "another effect"
    )  # fmt: skip
    assert table.rows == (
        ("operator", "-", "-", "start stuck on or off", "-"),
        ("shaft", "still stuck off", "motor stuck on", "still stuck on", "-"),
        ("outputs that move no part", "-", "-", "-", "lamp stuck on"),
    )


def test_the_matrix_leads_from_each_crossing_to_the_row_of_the_fault() -> None:
    machine = read_machine_text(starter_text("press"), "press.yaml").machine
    block = tables(fault_section(machine, faults(), result(holding())))["fault_matrix"]
    assert block.table.rows == (
        ("stop_ok", "BREAKS edge_stops_it and 1 more", "stops by itself"),
        ("edge", "breaks one_direction (not required)", "-"),
        ("lamp", "changes no output", "-"),
        ("gate", "-", "may hold an output on"),
        ("power interrupted", "undecided", ""),
    )
    assert block.links[0, 2] == "fault-stop_ok-stuck-off"
    assert block.links[4, 1] == "fault-power-interrupted"
    assert block.words == {(0, 1): "broken", (1, 1): "minor", (4, 1): "undecided"}


def test_what_the_fault_table_leaves_open_is_listed() -> None:
    texts = [text for text, _ in fault_points(faults())]
    assert any(text.startswith("2 faults may stay hidden (1 may hold") for text in texts)
    assert "The outcome of the fault 'power interrupted' is undecided." in texts
    assert any("cut short" in text for text in texts)


def judged(word: Word) -> Judgement:
    return Judgement(word, 0, SCAN)


def test_layers_say_who_carries_and_only_both_together_is_an_open_point() -> None:
    rows = (
        LayerRow(
            "a",
            "crushing",
            judged(Word.HOLDS),
            judged(Word.BROKEN),
            judged(Word.HOLDS),
            Carrier.SEQUENCES,
            "s",
        ),
        LayerRow(
            "b", "crushing", judged(Word.BROKEN), judged(Word.BROKEN), judged(Word.HOLDS), Carrier.BOTH, "b"
        ),
        LayerRow(
            "c", "crushing", judged(Word.BROKEN), judged(Word.BROKEN), judged(Word.BROKEN), Carrier.NONE, "n"
        ),
    )
    table = LayerTable("gate", 0, SCAN, rows, ("demands at will",), 1)
    block = tables(layer_section(table, result(holding(tick=SCAN), tick=SCAN)))["layers"]
    assert [row[5] for row in block.table.rows] == ["the sequences", "both together only", "none"]
    assert block.words == {
        (0, 3): "minor", (1, 2): "minor", (1, 3): "minor", (2, 2): "minor", (2, 3): "minor", (2, 4): "broken",
    }  # fmt: skip
    assert layer_points(table) == [("Only sequences and interlocks together carry: b.", "layers")]


def test_the_list_of_requirements_names_the_layer_where_layers_were_looked_into() -> None:
    outcome = result(holding(), broken())
    item, other = (requirement.name for requirement in outcome.requirements)
    row = LayerRow(
        item, "crushing", judged(Word.HOLDS), judged(Word.BROKEN), judged(Word.HOLDS), Carrier.SEQUENCES, "s"
    )
    table = requirement_table(outcome, LayerTable("gate", 0, 100, (row,), (), 1))
    column = table.head.index("carried by")
    assert [(cells[0], cells[column]) for cells in table.rows] == [(item, "the sequences"), (other, "-")]
    assert "carried by" not in requirement_table(outcome, None).head


def test_at_a_longer_tick_than_the_scan_the_page_says_undecided_and_nothing_holds() -> None:
    outcome = result(holding(), broken(), undecided())
    block = tables(verdicts_section(outcome))["verdicts_others"]
    first = block.table.rows[0]
    assert first[2:] == ("not broken at 100 ms", "not broken at 100 ms", "no fault")
    assert block.words[0, 2] == "undecided"
    notes = " ".join(block.table.notes)
    assert "'holds'" not in notes
    assert "'not broken at 100 ms': every situation was visited that steps of 100 ms lead to" in notes
    assert outcome.tick_caution in notes
    table = requirement_table(outcome, None)
    assert [row[5:7] for row in table.rows] == [
        ("-", "not broken at 100 ms"), ("-", "broken at 100 ms"), ("-", "undecided"),
    ]  # fmt: skip
    machine = read_machine_text(starter_text("press"), "press.yaml").machine
    [points, *_] = open_points_section(machine, outcome, ()).blocks
    assert isinstance(points, Bullets)
    opened = " ".join(points.items)
    assert "one_direction is undecided: it was only found not broken at 100 ms." in opened
    assert "The check used a tick of 100 ms" in opened


def weakening(noticed: bool | None, **more: object) -> Weakening:
    item = Weakening(
        WeakeningKind.EXIT_REMOVED, "gate: opening, exit 1", "exit", "exit removed", 12, 5, noticed
    )
    return dataclasses.replace(item, **more)  # type: ignore[arg-type]


def test_weakenings_are_counted_and_each_that_nobody_notices_is_shown() -> None:
    found = StrengthList(
        "gate", 100, 1,
        (weakening(True, by="a"), weakening(False, reason="no story"), weakening(None, reason="limit"),
         weakening(False, equivalent=True, reason="never read")),
        ("as in the check",), 1,
    )  # fmt: skip
    section = strength_section(found, result(holding()))
    assert tables(section)["weakenings"].table.rows == (("exit removed", "4", "1", "2", "1"),)
    assert [row[3] for row in tables(section)["unnoticed"].table.rows] == [
        "no story", "changes nothing: never read",
    ]  # fmt: skip
    assert [row[3] for row in tables(section)["undecided_weakenings"].table.rows] == ["limit"]
    assert len(all_weakenings(found).rows) == 4


def test_open_points_tell_unnoticed_weakenings_from_undecided_ones_and_say_what_to_do() -> None:
    weakenings = (weakening(True), weakening(False), weakening(False), weakening(None))
    found = StrengthList("gate", 100, 1, weakenings, (), 1)
    unnoticed, undecided = (text for text, _ in strength_points(found))
    assert unnoticed.startswith("2 weakenings that no requirement notices. That is no defect of the logic")
    assert "Write a requirement for that layer alone" in unnoticed
    assert undecided.startswith("1 weakening undecided: nothing broke in what was looked at")
    assert len(strength_points(dataclasses.replace(found, weakenings=weakenings[:3]))) == 1
    assert strength_points(dataclasses.replace(found, weakenings=weakenings[:1])) == []


@pytest.mark.parametrize(
    ("verdict", "explored", "word", "points"),
    [
        (Word.HOLDS, Word.HOLDS, "agrees", 0),
        (Word.BROKEN, Word.HOLDS, "CONTRADICTS", 1),
        (Word.UNDECIDED, Word.HOLDS, "no opinion", 1),
    ],
)
def test_a_contradiction_of_the_second_opinion_cannot_be_overlooked(
    verdict: Word, explored: Word, word: str, points: int
) -> None:
    opinion = CrossCheckRow("a", "absence", 0, "induction", verdict, 3, 0.1, explored)
    found = CrossCheck("gate", "0" * 64, "1", "solver 1", 20, 20, 0, (opinion,), (5,), 1)
    section = cross_check_section(found)
    block = tables(section)["second_opinion"]
    assert block.table.rows[0][5] == word
    assert (block.words.get((0, 5)) == "broken") == (word == "CONTRADICTS")
    assert len(cross_check_points(found)) == points
    assert isinstance(section, Section)
    assert not any(isinstance(part, Part) for part in section.parts)
