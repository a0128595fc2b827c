"""The evidence report of one check: which sections it has, in the order of a reviewer's questions.

What was checked and what came of it; what must never happen; how it breaks; under which
assumptions; what the machine is; what remains open. A part that was not run is named among
the open points and nowhere else.
"""

from __future__ import annotations

import platform
from dataclasses import dataclass

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.reading.reader import MachineDocument
from stillgate.diagrams.diagram import plain
from stillgate.diagrams.graphs.renderer import Renderer
from stillgate.diagrams.matrices.table import Table
from stillgate.diagrams.pages.report_page import Page, Section, TableBlock
from stillgate.interlocks.results.layer_rows import LayerTable
from stillgate.interlocks.results.verdict import CheckResult, Exploration, Word

from ...console.words import count_words, fault_words, verdict_words
from .machine import machine_section, sequences_section, signals_section
from .open_points import Point, open_points_section
from .verdicts import assumptions_section, breaks_section, requirements_section, verdicts_section

CAUTIONS = (
    "This report is about a model: the machine file named above, under the assumptions listed below. It says"
    " nothing about parts that move otherwise than the file says, nor about wiring, hydraulics or software"
    " that is not in it.",
    "It is not an approval and calculates no performance level. Local codes apply, and a licensed or"
    " otherwise competent person decides whether a machine may be built and used.",
)


@dataclass(frozen=True)
class Evidence:
    """Everything a report is written from.

    Attributes:
        date: as it shall stand on the title page, ISO 8601.
        compiler: name and version of the C compiler that built the explored code.
        limits: caps of the check in words, such as 'time limit 10 min'.
        layers: which layer carries what, if that was looked into.
        extra: sections of further work, such as the fault table, in their order.
        points: what the extra sections leave open: text, and the anchor of what tells more.
        not_run: what was not done, each a sentence for the open points.
        pairs: what was covered of pairs of faults; empty if they were not looked at.
    """

    document: MachineDocument
    result: CheckResult
    renderer: Renderer
    date: str
    compiler: str
    limits: tuple[str, ...] = ()
    layers: LayerTable | None = None
    extra: tuple[Section, ...] = ()
    points: tuple[Point, ...] = ()
    not_run: tuple[str, ...] = ()
    pairs: str = ""


def evidence_page(evidence: Evidence) -> Page:
    """The whole report as a page."""
    document, result = evidence.document, evidence.result
    machine = document.machine
    sections = [
        verdicts_section(result),
        breaks_section(machine, result),
        assumptions_section(result, evidence.pairs),
        requirements_section(machine, result, evidence.layers),
        *evidence.extra,
        machine_section(machine, result, evidence.renderer),
        sequences_section(machine, result, evidence.renderer),
        signals_section(machine),
    ]
    kept = [section for section in sections if section is not None]
    kept.insert(
        2 if kept[1].name == "breaks" else 1,
        open_points_section(machine, result, (*evidence.points, *((text, "") for text in evidence.not_run))),
    )
    return Page(
        title=plain(machine.title) or machine.machine,
        lead=(
            "What was checked of the sequence logic of this machine, what came of it, and what remains open."
        ),
        verdict=result.verdict.value,
        sentence=_sentence(result),
        identity=tuple(_identity(evidence)),
        cautions=CAUTIONS,
        sections=tuple(kept),
        footer=(
            f"{machine.machine}, file SHA-256 {result.digest[:16]}…, "
            f"Stillgate {result.version}, {evidence.date}"
        ),
    )


def tables_of(page: Page) -> list[Table]:
    """Every table of a report, to be written as CSV."""
    blocks = [block for section in page.sections for block in section.blocks]
    blocks += [block for section in page.sections for part in section.parts for block in part.blocks]
    return [block.table for block in blocks if isinstance(block, TableBlock)]


def _sentence(result: CheckResult) -> str:
    """The outcome in one sentence that claims no more than was exhausted."""
    counts = {word: sum(item.verdict is word for item in result.requirements) for word in Word}
    said = {word: verdict_words(word, result.tick, result.scan) for word in Word} | {Word.HOLDS: "hold"}
    parts = [f"{count} {said[word]}" for word, count in counts.items() if count]
    extra = sum(item.breaks for item in result.findings)
    if extra:
        parts.append(f"{count_words(extra, 'finding that counts', 'findings that count')} as broken")
    return (
        f"{count_words(len(result.requirements), 'requirement')}: {', '.join(parts) or 'none'},"
        " each under the faults that it must withstand and the assumptions of this report."
    )


def _covered(item: Exploration) -> str:
    sets = "" if item.sets is None else f"{count_words(item.sets.sets, 'set')} of times"
    if item.sets is not None and item.sets.exhausted:
        return f"all situations, in {sets}"
    if item.exhausted:
        return f"{count_words(item.states, 'situation')}, all of them"
    if item.slices:
        return "what can affect each requirement, " + ("all of it" if item.whole else "not all of it")
    return f"{count_words(item.states, 'situation')}, stopped by the {item.stopped_by}{sets and f'; {sets}'}"


def _identity(evidence: Evidence) -> list[tuple[str, str]]:
    result, document = evidence.result, evidence.document
    scan, tick = format_duration(result.scan), format_duration(result.tick)
    excluded = count_words(len(result.exclusions), "exclusion") if result.exclusions else "none"
    explored = " ".join(f"{fault_words(item.faults)}: {_covered(item)};" for item in result.exploration)
    return [
        ("Machine file", document.path.name),
        ("SHA-256 of the file", result.digest),
        ("Date of the report", evidence.date),
        ("Program", f"Stillgate {result.version}, Python {platform.python_version()}"),
        ("C compiler", evidence.compiler),
        ("Diagrams drawn by", evidence.renderer.version),
        ("Scan of the controller", scan),
        ("Tick of the check", f"{tick} (the scan)" if result.tick == result.scan else tick),
        ("Faults", f"up to {fault_words(result.faults)}" if result.faults else "none"),
        ("Faults left out", excluded),
        ("Limits", ", ".join(evidence.limits) or "none given"),
        ("Explored", explored.rstrip(";")),
    ]
