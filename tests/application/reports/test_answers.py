"""The first lines of an analysis are its answer: a word, of what, and how many."""

from __future__ import annotations

import dataclasses

import pytest
from rich.console import Console

from stillgate.interlocks.analyses.cross_check import CrossCheck, CrossCheckRow
from stillgate.interlocks.proofs.solver import INDUCTION, REPLAY
from stillgate.interlocks.results.comparison import Comparison, VerdictChange
from stillgate.interlocks.results.layer_rows import Carrier, LayerRow, LayerTable
from stillgate.interlocks.results.verdict import Judgement, Word, tick_caution
from stillgate.interlocks.results.weakenings import StrengthList, Weakening, WeakeningKind
from stillgate.reports.analyses.comparison import differs, write_comparison
from stillgate.reports.analyses.cross_check import write_cross_check
from stillgate.reports.analyses.layers import write_layers
from stillgate.reports.analyses.strength import write_strength

from ..samples import SCAN, story
from ..snapshots import printed


def layers_of(*carriers: Carrier, tick: int = SCAN) -> LayerTable:
    holds = Judgement(Word.HOLDS, 0, tick).at_scan(SCAN)
    rows = (
        LayerRow(f"need_{number}", "crushing", holds, holds, holds, carrier, "")
        for number, carrier in enumerate(carriers)
    )
    return LayerTable("press", 0, tick, tuple(rows), (), 0.0, tick_caution(tick, SCAN))


@pytest.mark.parametrize(
    ("table", "answer"),
    [
        (
            layers_of(Carrier.EITHER, Carrier.EITHER, Carrier.BOTH),
            "HOLDS  press: 3 requirements that name a hazard\n"
            "carried by: either layer alone 2, both together only 1 (need_2)\n",
        ),
        (
            layers_of(Carrier.INTERLOCKS, Carrier.NONE),
            "BROKEN  press: 1 of 2 requirements that name a hazard: need_1\n"
            "carried by: the interlocks 1 (need_0)\n",
        ),
        (
            layers_of(Carrier.UNDECIDED),
            "UNDECIDED  press: 1 of 1 requirement that names a hazard: need_0\n",
        ),
        (layers_of(), "NOTHING ASKED  press: no requirement names a hazard\n"),
        (
            layers_of(Carrier.EITHER, tick=100),
            "UNDECIDED  press: 1 requirement that names a hazard judged, and a",
        ),
    ],
)
def test_layers_say_whether_all_hold_and_what_carries_them(table: LayerTable, answer: str) -> None:
    assert printed(lambda console: write_layers(console, table, "press.yaml")).startswith(answer)


def weakened(*noticed: bool | None) -> StrengthList:
    items = tuple(
        Weakening(WeakeningKind.ATOM_TRUE, "main", "still", "text", 1, 1, each, reason="because")
        for each in noticed
    )
    return StrengthList("press", SCAN, SCAN, items, (), 0.0)


@pytest.mark.parametrize(
    ("result", "answer"),
    [
        (weakened(True, True), "NOTICED  press: every one of 2 weakenings, by some requirement\n"),
        (
            weakened(True, False, None),
            "UNNOTICED  press: 1 of 3 weakenings, by no requirement; 1 noticed (33.3 %), 1\n  undecided\n",
        ),
        (weakened(True, None), "UNDECIDED  press: 1 of 2 weakenings; 1 noticed (50.0 %)\n"),
    ],
)
def test_strength_says_how_many_nobody_notices(result: StrengthList, answer: str) -> None:
    assert printed(lambda console: write_strength(console, result, "press.yaml")).startswith(answer)


def test_a_reason_that_all_have_is_said_once() -> None:
    text = printed(lambda console: write_strength(console, weakened(False, False), "press.yaml"))
    assert text.count("because") == 1


def compared(outputs: Word, *changes: VerdictChange) -> Comparison:
    differing = ("motor",) if outputs is Word.BROKEN else ()
    return Comparison(
        "a", "b", "", "", (), changes, outputs, "what was found", None, differing, None, (), 0.0
    )


CHANGED = VerdictChange("stops", Word.HOLDS, Word.BROKEN, None)
OPEN = VerdictChange("stops", Word.HOLDS, Word.UNDECIDED, None)


@pytest.mark.parametrize(
    ("result", "different", "answer"),
    [
        (compared(Word.HOLDS), False, "SAME  a and b: outputs never differ, no verdict changed\n"),
        (compared(Word.BROKEN), True, "DIFFERENT  a and b: outputs differ (motor), no verdict changed\n"),
        (
            compared(Word.HOLDS, CHANGED),
            True,
            "DIFFERENT  a and b: outputs never differ, 1 verdict changed: stops\n",
        ),
        (
            compared(Word.UNDECIDED),
            None,
            "UNDECIDED  a and b: whether outputs differ is not known, no verdict changed\n",
        ),
        (compared(Word.HOLDS, OPEN), None, "UNDECIDED  a and b: "),
    ],
)
def test_a_comparison_says_what_differs_and_what_is_not_known(
    result: Comparison, different: bool | None, answer: str
) -> None:
    assert differs(result) is different
    assert printed(lambda console: write_comparison(console, result)).startswith(answer)


HOLDS = CrossCheckRow("stops", "absence", 0, INDUCTION, Word.HOLDS, 3, 0.1, Word.HOLDS)
BROKEN = dataclasses.replace(HOLDS, method=REPLAY, verdict=Word.BROKEN, explored=Word.BROKEN, story=story())


def opinion(*rows: CrossCheckRow) -> CrossCheck:
    return CrossCheck("press", "", "", "z3", SCAN, SCAN, 1, rows, (), 1.0)


@pytest.mark.parametrize(
    ("rows", "answer"),
    [
        ((HOLDS,), "HOLDS  press: all 1 requirement that it was asked about\n1 verdict agrees"),
        (
            (HOLDS, dataclasses.replace(BROKEN, name="b")),
            "BROKEN  press: 1 of 2 requirements: b\n2 verdicts agree",
        ),
        (
            (dataclasses.replace(HOLDS, explored=Word.BROKEN),),
            "CONTRADICTION  press: 1 of 1 verdicts; rely on none\n",
        ),
        (
            (dataclasses.replace(HOLDS, verdict=Word.UNDECIDED, reason="time"),),
            "UNDECIDED  press: 1 of 1 requirements: stops",
        ),
    ],
)
def test_a_second_opinion_says_what_must_hold_and_whether_both_agree(
    rows: tuple[CrossCheckRow, ...], answer: str
) -> None:
    assert text_of(*rows).startswith(answer)


def text_of(*rows: CrossCheckRow) -> str:
    def write(console: Console) -> None:
        write_cross_check(console, opinion(*rows), "press.yaml")

    return printed(write)


def test_a_break_that_need_not_hold_is_a_line_in_a_second_opinion_too() -> None:
    """It was told in full, under the word BROKEN, as one that counts."""
    excused = dataclasses.replace(BROKEN, faults=1, counts=False)
    text = text_of(HOLDS, excused)
    assert text.startswith("HOLDS")
    assert "BROKEN" not in text
    assert "NOT REQUIRED  stops  edge_clear stuck on\n" in text
    assert "operator: open_button goes on" in text_of(BROKEN)
