"""SARIF and JUnit outputs, held against the schemas of the standards and read by an outside library."""

from __future__ import annotations

import dataclasses
import io
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import xmlschema
from hypothesis import given
from hypothesis import strategies as st
from junitparser import Error, Failure, JUnitXml

from stillgate.interlocks.results.verdict import CheckResult
from stillgate.reports.exchange.junit import junit_xml
from stillgate.reports.exchange.sarif import RULES, sarif_document

from .conftest import Command
from .samples import SCAN, broken, full_result, holding, result, undecided

SCHEMAS = Path(__file__).parent / "schemas"
SARIF: dict[str, Any] = json.loads((SCHEMAS / "sarif-2.1.0-rtm.5.json").read_text())
JUNIT = xmlschema.XMLSchema(str(SCHEMAS / "junit-10.xsd"))

RESULTS = [
    full_result(),
    result(holding()),
    result(holding(), broken(), undecided()),
    result(undecided(), exhausted=False),
]


@pytest.mark.parametrize("outcome", RESULTS)
def test_sarif_fits_the_schema_of_the_standard(outcome: CheckResult) -> None:
    jsonschema.Draft7Validator(SARIF).validate(sarif_document(outcome, "machines/yard gate.yaml"))


@pytest.mark.parametrize("outcome", RESULTS)
def test_junit_fits_the_schema_of_build_servers(outcome: CheckResult) -> None:
    JUNIT.validate(io.BytesIO(junit_xml(outcome, "machines/gate.yaml")))


def test_a_broken_requirement_is_an_error_at_its_line_with_its_story() -> None:
    outcome = result(broken(), holding())
    [found, _] = sarif_document(outcome, "machines/yard gate.yaml")["runs"][0]["results"]
    [item, _] = outcome.requirements
    place = found["locations"][0]["physicalLocation"]
    assert found["ruleId"] == "requirement-broken"
    assert found["level"] == "error"
    assert list(RULES)[found["ruleIndex"]] == found["ruleId"]
    assert place["region"] == {"startLine": item.line, "startColumn": item.column}
    assert place["artifactLocation"]["uri"] == "machines/yard%20gate.yaml"
    assert item.story is not None
    assert found["message"]["text"] == f"{item.story.headline}. {outcome.tick_caution}"
    flow = found["codeFlows"][0]["threadFlows"][0]["locations"]
    assert len(flow) == len(item.story.steps)
    assert "fault: edge_clear stuck on" in flow[0]["location"]["message"]["text"]


def test_findings_and_undecided_requirements_are_results_and_what_holds_is_none() -> None:
    outcome = full_result()
    found = sarif_document(outcome, "gate.yaml")["runs"][0]["results"]
    named = {item["ruleId"] for item in found}
    for finding in outcome.findings:
        assert finding.kind.name.lower().replace("_", "-") in named
    assert len(found) >= len(outcome.findings)
    exact = result(holding(tick=SCAN), tick=SCAN)
    assert sarif_document(exact, "gate.yaml")["runs"][0]["results"] == []


def test_what_is_only_not_broken_at_a_longer_tick_is_a_result_and_an_error() -> None:
    outcome = result(holding())
    [found] = sarif_document(outcome, "gate.yaml")["runs"][0]["results"]
    assert found["ruleId"] == "requirement-undecided"
    assert (
        "undecided at 100 ms: not broken at 100 ms, which decides nothing at 20 ms"
        in found["message"]["text"]
    )
    [case] = next(iter(JUnitXml.fromstring(junit_xml(outcome, "gate.yaml"))))
    [error] = case.result
    assert isinstance(error, Error)
    assert error.message == "not broken at 100 ms, which decides nothing at 20 ms"


def test_a_mark_of_a_result_stays_when_lines_move() -> None:
    first = result(broken())
    moved = result(dataclasses.replace(first.requirements[0], line=99))
    marks = [
        sarif_document(item, "g.yaml")["runs"][0]["results"][0]["partialFingerprints"]
        for item in (first, moved)
    ]
    assert marks[0] == marks[1]


def test_a_reader_of_junit_files_counts_what_the_check_said() -> None:
    """Read with junitparser, an independent library."""
    outcome = result(holding(tick=SCAN), broken(), undecided())
    suite = next(iter(JUnitXml.fromstring(junit_xml(outcome, "gate.yaml"))))
    assert (suite.tests, suite.failures, suite.errors) == (3, 1, 1)
    said = {case.name: [type(item) for item in case.result] for case in suite}
    assert said == {
        outcome.requirements[0].name: [],
        outcome.requirements[1].name: [Failure],
        outcome.requirements[2].name: [Error],
    }


@given(st.text(min_size=1))
def test_any_text_of_a_machine_file_leaves_both_outputs_whole(text: str) -> None:
    item = dataclasses.replace(broken(), text=text, why=text)
    outcome = result(item)
    xml = junit_xml(outcome, text)
    assert JUnitXml.fromstring(xml) is not None
    document = json.loads(json.dumps(sarif_document(outcome, "a.yaml")))
    assert document["version"] == "2.1.0"


def test_the_command_writes_both_files(stillgate: Command, starter: Path, tmp_path: Path) -> None:
    sarif, junit = tmp_path / "out.sarif", tmp_path / "out.xml"
    done = stillgate("check", starter, "--output", sarif, "--output", junit)
    assert done.status == 0
    jsonschema.Draft7Validator(SARIF).validate(json.loads(sarif.read_text()))
    JUNIT.validate(str(junit))
    assert JUnitXml.fromfile(str(junit)).tests == 4


def test_a_place_that_cannot_be_written_is_refused_before_the_work(
    stillgate: Command, starter: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stillgate.interlocks.checking.checker.check_within", None)  # not even asked
    done = stillgate("check", starter, "--output", tmp_path / "nowhere" / "out.sarif")
    assert done.status == 2
    assert "--output: there is no folder" in done.err
    done = stillgate("check", starter, "--output", starter.with_name("x.txt"))
    assert done.status == 2
    assert "x.txt' ends in none of .sarif, .sarif.json, .xml" in done.err
