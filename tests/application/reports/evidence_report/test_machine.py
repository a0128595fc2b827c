"""What the report says of the machine itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from stillgate.commands.new import starter_text
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.reports.evidence_report.machine import signals_section

DEMO = Path(__file__).resolve().parents[4] / "machines" / "lavender_harvester.yaml"


def test_named_conditions_come_first_among_the_signals_if_there_are_any() -> None:
    demo = read_machine(DEMO).machine
    part, *_ = signals_section(demo).parts
    (block,) = part.blocks
    assert part.title == "Named conditions"
    rows = {row[0]: row[1:] for row in block.table.rows}  # type: ignore[union-attr]
    assert rows.keys() == demo.conditions.keys()
    assert rows["arms_away"] == (
        "arms_parked and arms_lever.idle", "-", "interlock 11, interlock 12, interlock 13, interlock 14",
    )  # fmt: skip
    assert "requirement arms_asked_at_rest_only" in rows["drives_stand"][2]
    assert "(as seen.)" in rows["both_buttons"][2]
    plain = signals_section(read_machine_text(starter_text("press")).machine).parts
    assert "Named conditions" not in [item.title for item in plain]


@pytest.mark.parametrize("name", ["estop_open", "drives_on", "at_standstill"])
def test_what_the_demo_says_once_it_says_nowhere_else(name: str) -> None:
    text = " ".join(DEMO.read_text(encoding="utf-8").split())
    meaning = read_machine(DEMO).machine.conditions[name].when.text
    assert text.count(" ".join(meaning.split())) == 1
