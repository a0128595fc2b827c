"""Tables of short cells: a row is a line, and a name is never broken or cut."""

from __future__ import annotations

import pytest
from rich.text import Text

from stillgate.console.columns import aligned, fits, labelled
from stillgate.console.prose import wrapped

HEAD = ("name", "verdict")
ROWS = ([Text("a_long_name_of_one_thing"), Text("holds")], [Text("short"), Text("undecided")])


def test_a_row_is_a_line_where_there_is_room() -> None:
    assert aligned(HEAD, ROWS, 40).plain.splitlines() == [
        "name                       verdict",
        "────────────────────────────────────",
        "a_long_name_of_one_thing   holds",
        "short                      undecided",
    ]


def test_columns_move_together_before_a_row_is_parted() -> None:
    assert aligned(HEAD, ROWS, 35).plain.splitlines()[2] == "a_long_name_of_one_thing  holds"
    assert fits(HEAD, ROWS, 35)
    assert not fits(HEAD, ROWS, 34)


def test_a_name_that_leaves_no_room_stands_on_a_line_of_its_own() -> None:
    lines = aligned(HEAD, ROWS, 30).plain.splitlines()
    assert lines[3:] == ["a_long_name_of_one_thing", "    holds", "short", "    undecided"]


def test_labels_stand_beside_prose_that_wraps_under_itself() -> None:
    assert labelled([("one", "a b c d e f"), ("three", "g")], 16).plain.splitlines() == [
        "  one     a b c",
        "          d e f",
        "  three   g",
    ]


@pytest.mark.parametrize("width", range(8, 30))
def test_a_number_and_its_unit_stay_together(width: int) -> None:
    lines = wrapped("waits for 100 ms and 1.43 s in all", width)
    assert any("100 ms" in line for line in lines)
    assert any("1.43 s" in line for line in lines)
    assert " ".join(lines) == "waits for 100 ms and 1.43 s in all"
