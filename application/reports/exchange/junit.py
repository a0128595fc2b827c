"""A check as JUnit XML, which build servers show as tests: one test a requirement.

Broken is a failure, undecided or only not broken at a longer tick an error; a finding that counts as
broken is a failed test of its own. The form is the one that build servers read (schema in the tests).
"""

from __future__ import annotations

from io import BytesIO
from xml.etree import ElementTree as ET

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.visible_text import visible
from stillgate.interlocks.results.verdict import CheckResult, Finding, RequirementVerdict, Story, Word

from ...console.words import CAUTION, change_words, fault_words, judgement_words, who_words

KEPT = "\t\n\N{NO-BREAK SPACE}"
"""White space of ours; what else is not printable XML 1.0 may not allow, and may turn a line around."""


def junit_xml(result: CheckResult, file: str) -> bytes:
    """The report of a check.

    Args:
        file: the machine file as the user named it.
    """
    root = ET.Element("testsuites")
    suite = ET.SubElement(root, "testsuite", name=result.machine)
    properties = ET.SubElement(suite, "properties")
    facts = {
        "file": file,
        "sha256": result.digest,
        "stillgate": result.version,
        "tick": format_duration(result.tick),
        "scan": format_duration(result.scan),
        **({"tick caution": result.tick_caution} if result.tick_caution else {}),
        "faults": str(result.faults),
        **{f"assumption {number}": text for number, text in enumerate(result.assumptions, start=1)},
        "caution": CAUTION,
    }
    for name, value in facts.items():
        ET.SubElement(properties, "property", name=name, value=_clean(value))
    for item in result.requirements:
        _requirement(suite, item, result, file)
    for finding in result.findings:
        if finding.breaks:
            _finding(suite, finding, result, file)
    cases = suite.findall("testcase")
    suite.set("tests", str(len(cases)))
    suite.set("failures", str(sum(case.find("failure") is not None for case in cases)))
    suite.set("errors", str(sum(case.find("error") is not None for case in cases)))
    suite.set("skipped", "0")
    suite.set("time", f"{sum(item.all_seconds for item in result.exploration):.3f}")
    ET.indent(root)
    stream = BytesIO()
    ET.ElementTree(root).write(stream, encoding="utf-8", xml_declaration=True)
    return stream.getvalue() + b"\n"


def _case(suite: ET.Element, name: str, result: CheckResult) -> ET.Element:
    return ET.SubElement(suite, "testcase", classname=result.machine, name=_clean(name))


def _requirement(suite: ET.Element, item: RequirementVerdict, result: CheckResult, file: str) -> None:
    case = _case(suite, item.name, result)
    place = f"{file}:{item.line}:{item.column}: {item.text}"
    if item.verdict is Word.BROKEN:
        said = item.story.headline if item.story is not None else f"{item.name} is broken"
        failure = ET.SubElement(case, "failure", message=_clean(said), type="broken")
        failure.text = _clean(
            "\n".join([f"{file}:{item.line}:{item.column}: {item.text}", *_told(item.story)])
        )
    elif item.verdict is not Word.HOLDS:
        reasons = "; ".join(dict.fromkeys(j.reason for j in item.judgements if j.reason))
        said = reasons or "a search is missing"
        ET.SubElement(case, "error", message=_clean(said), type="undecided").text = _clean(item.text)
    lines = [f"{fault_words(j.faults)}: {judgement_words(j, result.scan)}" for j in item.judgements]
    lines += [result.tick_caution] if result.tick_caution else []
    ET.SubElement(case, "system-out").text = _clean("\n".join([place, *lines]))


def _finding(suite: ET.Element, finding: Finding, result: CheckResult, file: str) -> None:
    case = _case(suite, f"{finding.kind.value}: {finding.subject}", result)
    place = f"{file}:{finding.line}:{finding.column}: {finding.message}"
    failure = ET.SubElement(case, "failure", message=_clean(finding.message), type=finding.kind.value)
    failure.text = _clean("\n".join([place, *_told(finding.story)]))


def _told(story: Story | None) -> list[str]:
    """A story in lines: time, then what changed."""
    if story is None:
        return []
    lines = (
        [f"At power-on: {', '.join(f'{part} {place}' for part, place in story.start.items())}."]
        if story.start
        else []
    )
    for step in story.steps:
        said = "; ".join(f"{who_words(change)}: {change_words(change)}" for change in step.changes)
        lines.append(f"{format_duration(step.time)}: {said or 'nothing changes'}")
    return lines


def _clean(text: str) -> str:
    return visible(text, KEPT)
