"""``confirm``, ``certificate`` and ``recheck`` as a user meets them."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from stillgate.commands.confirm import status_of
from stillgate.console.terminal import output_console
from stillgate.controller.effort import Effort
from stillgate.controller.reading.reader import read_machine
from stillgate.interlocks.analyses.cross_check import CrossCheck, CrossCheckRow, cross_checked
from stillgate.interlocks.proofs.solver import INDUCTION
from stillgate.interlocks.results.verdict import Word
from stillgate.reports.analyses.cross_check import CONFIRM, cross_check_document, write_cross_check
from stillgate.reports.analyses.rechecked import RECHECK

from ..conftest import Command


def opinion(*items: CrossCheckRow) -> CrossCheck:
    return CrossCheck("press", "0" * 64, "0", "z3 0", 20, 20, 0, items, (1,), 1.0)


HOLDS = CrossCheckRow("quiet", "never", 0, INDUCTION, Word.HOLDS, 3, 0.1, explored=Word.HOLDS)


def test_the_starter_is_confirmed_in_json_that_fits_its_schema(stillgate: Command, starter: Path) -> None:
    done = stillgate("confirm", starter, "--faults", 0, "--no-compare", "--format", "json")
    document = json.loads(done.out)
    jsonschema.Draft7Validator(CONFIRM).validate(document)
    assert done.status == 0
    assert {item["verdict"] for item in document["opinions"]} == {"holds"}
    assert {item["agrees"] for item in document["opinions"]} == {None}


def test_a_contradiction_is_loud_and_a_fault_of_the_program(capsys: pytest.CaptureFixture[str]) -> None:
    result = opinion(replace(HOLDS, explored=Word.BROKEN))
    assert status_of(result) == 3
    write_cross_check(output_console(), result, "press.yaml")
    said = " ".join(capsys.readouterr().out.split())
    assert "THE TWO METHODS CONTRADICT EACH OTHER" in said
    assert "exploration: broken" in said
    jsonschema.Draft7Validator(CONFIRM).validate(cross_check_document(result, "press.yaml"))


@pytest.mark.parametrize(
    ("item", "status"),
    [
        (HOLDS, 0),
        (replace(HOLDS, verdict=Word.BROKEN, explored=Word.BROKEN), 1),
        (replace(HOLDS, verdict=Word.BROKEN, explored=Word.BROKEN, counts=False), 0),
        (replace(HOLDS, verdict=Word.UNDECIDED), 4),
    ],
)
def test_the_exit_status_says_the_worst(item: CrossCheckRow, status: int) -> None:
    assert status_of(opinion(HOLDS, item)) == status
    assert status_of(replace(opinion(HOLDS), interrupted=True)) == 130


def test_a_proof_at_a_longer_tick_than_the_scan_leaves_it_undecided(
    capsys: pytest.CaptureFixture[str],
) -> None:
    result = replace(opinion(replace(HOLDS, verdict=Word.NOT_BROKEN, explored=Word.NOT_BROKEN)), tick=100)
    assert status_of(result) == 4
    assert not result.disagreements
    write_cross_check(output_console(), result, "press.yaml")
    said = " ".join(capsys.readouterr().out.split())
    assert "one invariant of 1 clause proves what is not broken at 100 ms by induction" in said
    assert "holds" not in said.replace(result.tick_caution, "")


@pytest.mark.parametrize("by", ["states", "invariant"])
def test_a_certificate_is_written_and_stands(stillgate: Command, starter: Path, by: str) -> None:
    file = starter.with_name("press.cert")
    written = stillgate("certificate", starter, "--by", by, "--output", file)
    assert (written.status, written.err) == (0, "")
    again = stillgate("recheck", file, starter)
    assert again.status == 0
    assert "It stands" in again.out
    assert "competent person" in " ".join(again.out.split())
    document = json.loads(stillgate("recheck", file, starter, "--format", "json").out)
    jsonschema.Draft7Validator(RECHECK).validate(document)
    assert document["stands"] is True


def forged(document: dict[str, Any]) -> str:
    """The file of a changed certificate with the digest that fits it, as a forger would write it."""
    fields = {name: value for name, value in document.items() if name != "sha256"}
    text = json.dumps(fields, sort_keys=True, separators=(",", ":"))
    return json.dumps(fields | {"sha256": hashlib.sha256(text.encode()).hexdigest()})


def test_a_forged_certificate_ends_with_status_one_and_the_state(stillgate: Command, starter: Path) -> None:
    file = starter.with_name("press.cert")
    stillgate("certificate", starter, "--by", "invariant", "--output", file)
    document = json.loads(file.read_text())
    assert json.loads(forged(document)) == document  # the digest is reckoned as the program does
    file.write_text(forged(document | {"cubes": [[]]}))
    done = stillgate("recheck", file, starter)
    assert done.status == 1
    assert "REFUSED: a start state is excluded" in done.out


def test_a_certificate_that_was_changed_and_keeps_its_digest_is_no_certificate(
    stillgate: Command, starter: Path
) -> None:
    file = starter.with_name("press.cert")
    stillgate("certificate", starter, "--by", "invariant", "--output", file)
    document = json.loads(file.read_text())
    file.write_text(json.dumps(document | {"cubes": [[]]}))
    done = stillgate("recheck", file, starter)
    assert (done.status, done.out) == (2, "")
    assert "press.cert: the certificate is not what was written: its digest does not fit" in done.err


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("recheck", "{file}", "{file}"), "no certificate"),
        (("recheck", "{file}", "certificate.json"), "press.yaml:1:1: no certificate: not JSON"),
        (("recheck", "nowhere.cert", "{file}"), "nowhere.cert"),
        (("confirm", "{file}", "--faults", "2"), "--faults is 2"),
        (("confirm", "{file}", "--time-limit", "soon"), "--time-limit"),
        (("certificate", "{file}", "--output", "nowhere/x.cert", "--by", "hope"), "hope"),
    ],
)
def test_bad_use_is_one_clear_sentence(
    stillgate: Command, starter: Path, arguments: tuple[str, ...], message: str
) -> None:
    done = stillgate(*(item.format(file=starter) for item in arguments))
    assert done.status == 2
    assert message in done.err
    assert "Traceback" not in done.err


def test_what_is_possible_only_is_judged_without_faults(starter: Path) -> None:
    result = cross_checked(
        read_machine(starter), faults=1, effort=Effort().within(120), only=frozenset({"can_run"})
    )
    assert [(item.name, item.faults, item.verdict) for item in result.opinions] == [
        ("can_run", 0, Word.HOLDS)
    ]
