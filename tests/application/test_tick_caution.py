"""At a tick longer than the scan nothing holds: what did not break is undecided, and all verdicts say so."""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from stillgate.interlocks.results.verdict import Word, tick_caution
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
UNDECIDED = 4
JUDGING = ("check", "layers", "strength", "fault-table", "confirm", "compare")


@pytest.fixture
def fan(tmp_path: Path) -> Path:
    path = tmp_path / "fan.yaml"
    path.write_text(MACHINE)
    return path


def test_the_sentence_says_both_directions_and_is_empty_at_the_scan() -> None:
    assert CAUTION == (
        "A tick of 100 ms decides nothing at the scan of 20 ms: what is 'not broken at 100 ms' may be broken "
        "there, and what is 'broken at 100 ms' may hold. Only a check with --tick scan tells."
    )
    assert tick_caution(SCAN, SCAN) == ""


@pytest.mark.parametrize("command", JUDGING)
def test_where_nothing_breaks_every_command_says_undecided_and_why_and_none_says_holds(
    stillgate: Command, fan: Path, command: str
) -> None:
    files = [fan, fan] if command == "compare" else [fan]
    done = stillgate(command, *files)
    # A weakening that nobody notices counts for more than what is undecided.
    assert done.status == (1 if command == "strength" else UNDECIDED)
    text = " ".join(done.out.split())
    assert text.count(CAUTION) == 1
    assert not text.endswith(CAUTION), "it stands with the verdicts, not at the end"
    assert not re.search(r"\bholds?\b(?! off)", text.replace(CAUTION, ""), re.IGNORECASE)
    document = json.loads(stillgate(command, *files, "--format", "json").out)
    assert document["tick_caution"] == CAUTION
    assert "holds" not in set(values_of(document))


@pytest.mark.parametrize("command", JUDGING)
def test_at_the_scan_the_same_machine_holds_and_nothing_is_said(
    stillgate: Command, fan: Path, command: str
) -> None:
    files = [fan, fan] if command == "compare" else [fan]
    done = stillgate(command, *files, "--tick", "scan")
    assert done.status == (1 if command == "strength" else 0)
    assert "decides nothing" not in done.out
    if command not in ("strength", "fault-table", "compare"):
        assert "holds" in done.out


def test_without_a_tick_in_the_file_or_the_command_the_check_is_at_the_scan(
    stillgate: Command, fan: Path
) -> None:
    fan.write_text(MACHINE.replace("tick: 100 ms, ", ""))
    done = stillgate("check", fan)
    assert done.status == 0
    assert "at the scan of 20 ms, up to one fault" in " ".join(done.out.split())
    assert "HOLDS  fan: its requirement, which need not withstand a fault" in done.out


def test_the_table_says_at_which_tick_nothing_broke_and_at_which_something_did(
    stillgate: Command, fan: Path
) -> None:
    said = "UNDECIDED  fan: its requirement does not break at a tick of 100 ms; only --tick"
    assert said in stillgate("check", fan).out
    fan.write_text(MACHINE.replace("fan and not go", "fan and go"))
    done = stillgate("check", fan)
    assert done.status == 1
    assert re.search(r"stops +cut +BROKEN ", done.out)
    assert "BROKEN AT 100 ms  fan: 1 of 1 requirement: stops; only --tick scan decides" in done.out
    assert "BROKEN AT 100 ms  stops" in done.out


def test_a_check_of_nothing_decides_nothing_at_a_longer_tick() -> None:
    outcome = dataclasses.replace(result(), tick=100, exploration=())
    assert outcome.verdict is Word.UNDECIDED
    assert dataclasses.replace(outcome, tick=SCAN).verdict is Word.HOLDS


def values_of(document: object) -> Iterator[object]:
    """Every text in a JSON document."""
    match document:
        case dict():
            for item in document.values():
                yield from values_of(item)
        case list():
            for item in document:
                yield from values_of(item)
        case str():
            yield document


def test_a_certificate_and_its_recheck_carry_it(stillgate: Command, fan: Path, tmp_path: Path) -> None:
    kept = tmp_path / "fan.cert"
    assert CAUTION in " ".join(stillgate("certificate", fan, "--output", kept).out.split())
    checked = stillgate("recheck", kept, fan)
    assert checked.status == UNDECIDED
    assert CAUTION in " ".join(checked.out.split())
    assert "Not broken at 100 ms with no fault" in checked.out
    assert json.loads(stillgate("recheck", kept, fan, "--format", "json").out)["tick_caution"] == CAUTION


def test_files_for_build_servers_carry_it_also_where_all_hold() -> None:
    for outcome in (full_result(), result(holding())):
        [run] = sarif_document(outcome, "gate.yaml")["runs"]
        [invocation] = run["invocations"]
        assert [item["message"]["text"] for item in invocation["toolExecutionNotifications"]] == [CAUTION]
        assert junit_xml(outcome, "gate.yaml").decode().count(CAUTION) == 1 + len(outcome.requirements)


@pytest.mark.parametrize("command", JUDGING)
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
