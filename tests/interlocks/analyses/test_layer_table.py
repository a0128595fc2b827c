"""Layers: what sequences and interlocks carry, each without the other."""

from __future__ import annotations

from importlib import import_module

import pytest

from evidence_build import built_quickly
from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.analyses.layer_table import layers
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.results.layer_rows import Carrier, LayerRow
from stillgate.interlocks.results.verdict import Word
from strength_machines import GUARDED

OVERRIDE = "overrides: [{when: not guard_1 or not guard_2, to: stopped}]"
INTERLOCK = "interlocks:\n  - {hold_off: motor, unless: guard_1 and guard_2, why: the guard}\n"


def row(text: str, **how: object) -> LayerRow:
    document = read_machine_text(text)
    with built_quickly():
        return layers(document, check(document), **how).rows[0]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("old", "new", "carrier"),
    [
        ("", "", Carrier.EITHER),
        pytest.param(OVERRIDE, "overrides: []", Carrier.INTERLOCKS, marks=pytest.mark.night),
        (INTERLOCK, "", Carrier.SEQUENCES),
    ],
)
def test_the_layer_that_is_left_carries_the_requirement(old: str, new: str, carrier: Carrier) -> None:
    assert row(GUARDED.replace(old, new) if old else GUARDED).carrier is carrier


def test_at_a_longer_tick_than_the_scan_no_layer_carries_anything() -> None:
    found = row(GUARDED.replace("scan: 100 ms", "scan: 50 ms").replace("check: {", "check: {tick: 100 ms, "))
    assert {found.sequences.word, found.interlocks.word, found.both.word} == {Word.NOT_BROKEN}
    assert found.carrier is Carrier.UNDECIDED
    assert found.text == "undecided: found at a longer tick than the scan"


def test_one_contact_in_each_layer_needs_both() -> None:
    text = GUARDED.replace("motor and not guard_1 and not guard_2", "motor and (not guard_1 or not guard_2)")
    text = text.replace("not guard_1 or not guard_2, to", "not guard_1, to")
    found = row(text.replace("unless: guard_1 and guard_2", "unless: guard_2"))
    assert found.carrier is Carrier.BOTH
    assert (found.sequences.word, found.interlocks.word, found.both.word) == (
        Word.BROKEN, Word.BROKEN, Word.HOLDS,
    )  # fmt: skip


def test_a_demand_at_will_tells_its_story() -> None:
    """Without interlocks nothing stands between the demand and the motor: one scan is enough."""
    found = row(GUARDED.replace(INTERLOCK, "")).interlocks
    assert found.word is Word.BROKEN
    assert found.depth == 1


@pytest.mark.night
def test_broken_with_both_layers_is_carried_by_none() -> None:
    text = GUARDED.replace(OVERRIDE, "overrides: []").replace(INTERLOCK, "")
    assert row(text).carrier is Carrier.NONE


def test_under_a_fault_only_what_must_withstand_one_is_judged() -> None:
    document = read_machine_text(GUARDED)
    with built_quickly():
        assert layers(document, check(document), faults=1).rows == ()


TWO_MOTORS = """\
machine: two_motors
scan: 100 ms
hazards: {entanglement: a hand reaches the shaft}
inputs: {start: {from: operator}, key: {from: operator}, fan_still: {}}
outputs: {motor: {hazard: entanglement}, fan: {}}
parts: {blades: {kind: spin, drive: fan, runs_down: 100..200 ms, starts: still, senses: {fan_still: still}}}
sequences:
  main:
    start: stopped
    states:
      stopped: {exits: [{when: rising(start), to: running}]}
      running: {on: [motor, fan], exits: [{after: 500 ms, to: stopped}]}
interlocks:
  - {hold_off: fan, unless: key and not key, why: it is locked away}
  - {hold_off: motor, unless: key, why: the key}
requirements:
  fan_stands: {never: motor and not fan_still, hazard: entanglement}
  needs_key: {never: motor and not key, hazard: entanglement}
  apart: {never: motor and fan, hazard: entanglement}
  alone: {never: motor and not fan, hazard: entanglement}
check: {faults: 0}
"""


def test_beyond_the_outputs_that_can_be_at_will_at_once_each_requirement_frees_its_own(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whole, then in parts: the same, but where a part matters that the requirement does not read."""
    document = read_machine_text(TWO_MOTORS)
    with built_quickly():
        result = check(document)
        whole = {item.requirement: item.interlocks for item in layers(document, result).rows}
        monkeypatch.setattr(
            import_module("stillgate.interlocks.analyses.unconstrained_outputs"), "MOST_AT_WILL", 1
        )
        table = layers(document, result)
    parts = {item.requirement: item.interlocks for item in table.rows}
    words = {name: item.word for name, item in whole.items()}
    assert words == {
        "fan_stands": Word.HOLDS, "needs_key": Word.HOLDS, "apart": Word.HOLDS, "alone": Word.BROKEN,
    }  # fmt: skip
    assert {name: item.word for name, item in parts.items()} == words | {"fan_stands": Word.UNDECIDED}
    assert "may with all at will" in parts["fan_stands"].reason
    assert any("More than" in item for item in table.assumptions)
