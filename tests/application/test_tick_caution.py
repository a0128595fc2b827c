"""At a tick longer than the scan every verdict carries that it can be wrong in both directions."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from stillgate.interlocks.results.verdict import tick_caution
from stillgate.reports.exchange.junit import junit_xml
from stillgate.reports.exchange.sarif import sarif_document

from .conftest import Command
from .samples import SCAN, full_result, holding, result

MACHINE = """
machine: fan
scan: 20 ms
inputs: {go: {from: operator}}
outputs: {fan: {hazard: cut}}
hazards: {cut: fingers}
sequences:
  run:
    start: still
    states:
      still: {exits: [{when: go, to: turning}]}
      turning: {on: [fan], exits: [{when: not go, to: still}]}
interlocks:
  - {hold_off: fan, unless: go, why: let go and it stops}
requirements:
  stops: {never: fan and not go, hazard: cut, faults: 0}
check: {tick: 100 ms, faults: 1}
"""
CAUTION = tick_caution(100, SCAN)
JUDGING = ("check", "layers", "strength", "fault-table", "confirm", "compare")


@pytest.fixture
def fan(tmp_path: Path) -> Path:
    path = tmp_path / "fan.yaml"
    path.write_text(MACHINE)
    return path


def test_the_sentence_says_both_directions_and_is_empty_at_the_scan() -> None:
    assert CAUTION == (
        "Verdicts at a tick of 100 ms can be wrong in both directions: at the scan of 20 ms a 'holds at "
        "100 ms' may be false, and so may a 'broken'. Only a check with --tick scan tells."
    )
    assert tick_caution(SCAN, SCAN) == ""


@pytest.mark.parametrize("command", JUDGING)
def test_text_and_document_of_every_command_that_judges_carry_it(
    stillgate: Command, fan: Path, command: str
) -> None:
    files = [fan, fan] if command == "compare" else [fan]
    text = " ".join(stillgate(command, *files).out.split())
    assert text.count(CAUTION) == 1
    assert not text.endswith(CAUTION), "it stands with the verdicts, not at the end"
    assert json.loads(stillgate(command, *files, "--format", "json").out)["tick_caution"] == CAUTION


@pytest.mark.parametrize("command", ["check", "fault-table", "confirm", "compare"])
def test_at_the_scan_nothing_is_said(stillgate: Command, fan: Path, command: str) -> None:
    files = [fan, fan] if command == "compare" else [fan]
    assert "both directions" not in stillgate(command, *files, "--tick", "scan").out


def test_a_certificate_and_its_recheck_carry_it(stillgate: Command, fan: Path, tmp_path: Path) -> None:
    kept = tmp_path / "fan.cert"
    assert CAUTION in " ".join(stillgate("certificate", fan, "--output", kept).out.split())
    assert CAUTION in " ".join(stillgate("recheck", kept, fan).out.split())
    assert json.loads(stillgate("recheck", kept, fan, "--format", "json").out)["tick_caution"] == CAUTION


def test_files_for_build_servers_carry_it_also_where_all_hold() -> None:
    for outcome in (full_result(), result(holding())):
        [run] = sarif_document(outcome, "gate.yaml")["runs"]
        [invocation] = run["invocations"]
        assert [item["message"]["text"] for item in invocation["toolExecutionNotifications"]] == [CAUTION]
        assert junit_xml(outcome, "gate.yaml").decode().count(CAUTION) == 1 + len(outcome.requirements)


@pytest.mark.parametrize("command", JUDGING[:1] + JUDGING[3:])
@pytest.mark.parametrize(
    ("tick", "said"),
    [
        ("10 ms", "a tick of 10 ms is shorter than the scan, 20 ms; say '20 ms' or more"),
        ("50 ms", "a tick of 50 ms is no whole number of scans of 20 ms; say '40 ms' or '60 ms'"),
    ],
)
def test_a_tick_that_cannot_be_is_refused(
    stillgate: Command, fan: Path, command: str, tick: str, said: str
) -> None:
    files = [fan, fan] if command == "compare" else [fan]
    done = stillgate(command, *files, "--tick", tick)
    assert (done.status, done.out) == (2, "")
    assert said in done.err


def test_a_certificate_at_such_a_tick_is_not_written(stillgate: Command, fan: Path, tmp_path: Path) -> None:
    kept = tmp_path / "fan.cert"
    assert stillgate("certificate", fan, "--output", kept, "--tick", "10 ms").status == 2
    assert not kept.exists()
