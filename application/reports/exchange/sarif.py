"""A check as SARIF 2.1.0 (OASIS), for editors and code hosts that show findings beside a file.

One result for each thing that somebody should look at, at its line in the machine file: a
broken requirement with its story as a code flow, an undecided one, a finding. Requirements
that hold are no results. The same check gives the same bytes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path, PurePath
from typing import Any
from urllib.parse import quote

from stillgate.controller.expressions.durations import format_duration
from stillgate.interlocks.results.verdict import (
    CheckResult,
    Finding,
    FindingKind,
    RequirementVerdict,
    Story,
    Word,
)

from ...console.words import CAUTION, change_words, fault_words, who_words

SCHEMA = "https://json.schemastore.org/sarif-2.1.0.json"
BROKEN, UNDECIDED, BEYOND = "requirement-broken", "requirement-undecided", "requirement-broken-beyond"

RULES: dict[str, tuple[str, str]] = {
    BROKEN: (
        "error",
        "A requirement is broken in a reachable situation, under the faults it must withstand.",
    ),
    UNDECIDED: (
        "warning",
        "A limit ended the search before the requirement was decided, or it was checked at a longer tick "
        "than the scan.",
    ),
    BEYOND: ("note", "A requirement breaks under more faults than it must withstand."),
    **{
        kind.name.lower().replace("_", "-"): ("warning", f"The check found: {kind.value}.")
        for kind in FindingKind
    },
}
"""Level and meaning of every rule; those of findings are named after their kind."""


def sarif_document(result: CheckResult, file: str) -> dict[str, Any]:
    """The SARIF log of a check.

    Args:
        file: the machine file as the user named it.
    """
    identifiers = list(RULES)
    return {
        "$schema": SCHEMA,
        "version": "2.1.0",
        "runs": [
            {
                "tool": {
                    "driver": {
                        "name": "Stillgate",
                        "version": result.version,
                        "rules": [
                            {
                                "id": identifier,
                                "shortDescription": {"text": meaning},
                                "help": {"text": f"{meaning} {CAUTION}"},
                                "defaultConfiguration": {"level": level},
                            }
                            for identifier, (level, meaning) in RULES.items()
                        ],
                    }
                },
                "artifacts": [{"location": {"uri": _uri(file)}, "hashes": {"sha-256": result.digest}}],
                "invocations": [{"executionSuccessful": True, **_notified(result)}],
                "columnKind": "unicodeCodePoints",
                "results": [
                    _filled(item, identifiers.index(item["ruleId"]), file) for item in _results(result)
                ],
                "properties": {
                    "machine": result.machine,
                    "verdict": result.verdict.value,
                    "tick": result.tick,
                    "tickCaution": result.tick_caution,
                    "assumptions": list(result.assumptions),
                },
            }
        ],
    }


def _results(result: CheckResult) -> Iterator[dict[str, Any]]:
    for item in result.requirements:
        yield from _about_requirement(item, result)
    for finding in result.findings:
        yield _about_finding(finding)


def _notified(result: CheckResult) -> dict[str, Any]:
    """The caution of a tick, also where nothing is broken and so no result carries it."""
    if not result.tick_caution:
        return {}
    return {"toolExecutionNotifications": [{"level": "warning", "message": {"text": result.tick_caution}}]}


def _about_requirement(item: RequirementVerdict, result: CheckResult) -> Iterator[dict[str, Any]]:
    place = (item.line, item.column)
    broken = [judgement for judgement in item.judgements if judgement.word is Word.BROKEN]
    if broken:
        counts = item.verdict is Word.BROKEN
        text = item.story.headline if item.story is not None else f"{item.name} is broken: {item.text}"
        reason = next((judgement.reason for judgement in broken if judgement.reason), "")
        text = f"{text} ({reason})" if reason else text
        if not counts:
            text += f"; it need not withstand {fault_words(broken[0].faults)}"
        text += f". {result.tick_caution}" if result.tick_caution else ""
        yield _result(BROKEN if counts else BEYOND, text, place, item.name, item.story)
    if item.verdict in (Word.UNDECIDED, Word.NOT_BROKEN):
        reasons = dict.fromkeys(j.reason for j in item.judgements if j.word is item.verdict and j.reason)
        why = "; ".join(reasons) or "a search is missing"
        yield _result(
            UNDECIDED, f"{item.name} is undecided at {_tick(result)}: {why}", place, item.name, None
        )


def _about_finding(finding: Finding) -> dict[str, Any]:
    rule = finding.kind.name.lower().replace("_", "-")
    found = _result(rule, finding.message, (finding.line, finding.column), finding.subject, finding.story)
    if finding.breaks:
        found["level"] = "error"
    return found


def _tick(result: CheckResult) -> str:
    return "the scan" if result.tick == result.scan else format_duration(result.tick)


def _result(
    rule: str, text: str, place: tuple[int, int], subject: str, story: Story | None
) -> dict[str, Any]:
    region = {"startLine": max(1, place[0]), "startColumn": max(1, place[1])}
    mark = hashlib.sha256(f"{rule} {subject} {text if not subject else ''}".encode()).hexdigest()[:32]
    found: dict[str, Any] = {
        "ruleId": rule,
        "level": RULES[rule][0],
        "message": {"text": text},
        "locations": [{"physicalLocation": {"region": region}}],
        "partialFingerprints": {"subject/v1": mark},
    }
    if story is not None:
        found["codeFlows"] = [_flow(story, region)]
    return found


def _flow(story: Story, region: dict[str, int]) -> dict[str, Any]:
    """A story as a code flow: one place of the machine file, with what happened when."""
    steps = []
    for step in story.steps:
        said = ", ".join(f"{who_words(change)}: {change_words(change)}" for change in step.changes)
        steps.append(
            {
                "executionOrder": step.tick + 1,
                "location": {
                    "physicalLocation": {"region": dict(region)},
                    "message": {"text": f"{format_duration(step.time)}: {said or 'nothing changes'}"},
                },
            }
        )
    return {"message": {"text": story.headline}, "threadFlows": [{"locations": steps}]}


def _filled(result: dict[str, Any], rule: int, file: str) -> dict[str, Any]:
    """The result with the file named in each of its places."""
    artifact = {"uri": _uri(file), "index": 0}
    for place in result["locations"]:
        place["physicalLocation"]["artifactLocation"] = artifact
    for flow in result.get("codeFlows", ()):
        for thread in flow["threadFlows"]:
            for step in thread["locations"]:
                step["location"]["physicalLocation"]["artifactLocation"] = artifact
    return {**result, "ruleIndex": rule}


def _uri(file: str) -> str:
    """A relative reference or a file URI (RFC 3986)."""
    path = PurePath(file)
    if path.is_absolute():
        return Path(file).as_uri()
    return quote(path.as_posix())
