"""Open points of an evidence report: everything a reviewer must still judge, listed by rule.

A point is only ever added by what the check, the file or the run says; an empty list says
that these rules found nothing, not that nothing is open.
"""

from __future__ import annotations

from collections.abc import Iterator

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.expressions.expression import Name, walk
from stillgate.controller.machine_file.field_types import Condition
from stillgate.controller.machine_file.machine import Machine
from stillgate.diagrams.diagram import plain
from stillgate.diagrams.pages.report_page import Block, Bullets, Prose, Section
from stillgate.interlocks.results.verdict import CheckResult, Word

from ...console.words import fault_words, verdict_words

Point = tuple[str, str]
"""What is open, and the anchor of the place that tells more, or an empty text."""


def open_points_section(machine: Machine, result: CheckResult, more: tuple[Point, ...]) -> Section:
    """The list, with links to where each point is told.

    Args:
        more: what other sections leave open, and what was not run.
    """
    points = [*_verdicts(result), *_time(result), *_findings(result), *_gaps(machine, result)]
    points += more
    always = Prose(
        (
            "Whether the assumptions fit the real machine, whether the requirements are complete, and "
            "whether the wiring and the valves do what the file says, no check can tell.",
        )
    )
    if not points:
        return Section("open", "Open points", (Prose(("The rules of this report found none.",)), always))
    links = {number: anchor for number, (_, anchor) in enumerate(points) if anchor}
    blocks: tuple[Block, ...] = (Bullets(tuple(text for text, _ in points), links), always)
    return Section("open", "Open points", blocks)


def _verdicts(result: CheckResult) -> Iterator[Point]:
    for item in result.requirements:
        anchor = f"break-{item.name}"
        if item.verdict is Word.BROKEN:
            yield f"{item.name} is broken.", anchor
        elif item.verdict is Word.UNDECIDED:
            yield f"{item.name} is undecided: a limit ended the search, or a search is missing.", ""
        elif item.verdict is Word.NOT_BROKEN:
            yield f"{item.name} is undecided: it was only found {_not_broken(result)}.", ""
        for judgement in item.judgements if item.verdict is not Word.BROKEN else ():
            if judgement.word is Word.BROKEN and judgement.faults > item.faults:
                asked = f"up to {fault_words(item.faults)}" if item.faults else "no fault at all"
                yield (
                    f"{item.name} breaks with {fault_words(judgement.faults)}; the file asks it to hold with "
                    f"{asked}. Is that enough?",
                    anchor,
                )


def _not_broken(result: CheckResult) -> str:
    return verdict_words(Word.NOT_BROKEN, result.tick, result.scan)


def _time(result: CheckResult) -> Iterator[Point]:
    if result.tick != result.scan:
        yield (
            f"The check used a tick of {format_duration(result.tick)}, the controller scans every "
            f"{format_duration(result.scan)}: two events closer together than a tick were seen at once or a "
            f"tick apart. {result.tick_caution}",
            "assumptions",
        )
    if not result.faults:
        yield "No faults were looked at.", "assumptions"


def _findings(result: CheckResult) -> Iterator[Point]:
    for finding in result.findings:
        yield f"line {finding.line}: {finding.kind.value}: {plain(finding.message)}.", "findings"
    for fault, why in result.exclusions:
        yield f"The fault '{fault}' was left out: {plain(why)}. Is the reason sound?", "exclusions"


def _gaps(machine: Machine, result: CheckResult) -> Iterator[Point]:
    """Hazards and outputs that no requirement speaks of."""
    named = {item.hazard for item in result.requirements}
    for hazard, words in machine.hazards.items():
        if hazard not in named:
            yield f"No requirement names the hazard {hazard} ({plain(words)}).", ""
    read = {
        node.path.removeprefix("asked.")
        for requirement in machine.requirements.values()
        for field in type(requirement).model_fields
        if isinstance(condition := getattr(requirement, field), Condition)
        for node in walk(condition.tree)
        if isinstance(node, Name)
    }
    for name, output in machine.outputs.items():
        if output.hazard and name not in read:
            yield f"No requirement reads the output {name}, which belongs to the hazard {output.hazard}.", ""
    for name, requirement in machine.requirements.items():
        if requirement.hazard and not requirement.why:
            yield (
                f"{name} is against the hazard {requirement.hazard}, but the file gives no source for it.",
                "",
            )
