"""Section of the evidence report on the second opinion: the same requirements by another method."""

from __future__ import annotations

from stillgate.controller.expressions.durations import format_duration
from stillgate.diagrams.diagram import plain
from stillgate.diagrams.matrices.table import Table
from stillgate.diagrams.pages.report_page import Bullets, Prose, Section, TableBlock
from stillgate.interlocks.analyses.cross_check import CrossCheck, CrossCheckRow
from stillgate.interlocks.results.verdict import Word

from ...console.words import count_words, fault_words, verdict_words
from .verdicts import word_style

AGREES = {True: "agrees", False: "CONTRADICTS", None: "no opinion"}


def cross_check_section(result: CrossCheck) -> Section:
    """What the second method says of each requirement, beside what the exploration says."""
    table = Table(
        "second_opinion",
        "Second opinion",
        ("requirement", "faults", "method", "says", "exploration says", "so it", "remark"),
        tuple(_row(item, result) for item in result.opinions),
    )
    words = {
        (number, 3): word_style(item.verdict)
        for number, item in enumerate(result.opinions)
        if item.verdict is not Word.HOLDS
    } | {(number, 5): "broken" for number, item in enumerate(result.opinions) if item.agrees is False}
    links = {(number, 0): f"requirement-{item.name}" for number, item in enumerate(result.opinions)}
    agreed = sum(item.agrees is True for item in result.opinions)
    intro = Prose(
        (
            f"{result.prover} judged the requirements from the same Program without listing situations, at a "
            f"tick of {format_duration(result.tick)}: {agreed} of "
            f"{count_words(len(result.opinions), 'verdict')} agree, "
            f"{len(result.disagreements)} contradict, {len(result.undecided)} are undecided. What "
            "both methods assume of the machine is the same, and may be wrong for both.",
        )
    )
    proved = "holds" if result.tick == result.scan else f"is not broken at {format_duration(result.tick)}"
    proofs = Bullets(
        tuple(
            f"With {fault_words(count)}: one inductive invariant of {count_words(clauses, 'clause')} proves "
            f"all that {proved}; it was re-checked by itself."
            for count, clauses in enumerate(result.clauses)
        )
    )
    return Section("second-opinion", "Second opinion", (intro, TableBlock(table, links, words), proofs))


def _row(item: CrossCheckRow, result: CrossCheck) -> tuple[str, ...]:
    return (
        item.name,
        fault_words(item.faults),
        item.method,
        verdict_words(item.verdict, result.tick, result.scan),
        "-" if item.explored is None else verdict_words(item.explored, result.tick, result.scan),
        AGREES[item.agrees],
        plain(item.reason) or "-",
    )


def cross_check_points(result: CrossCheck) -> tuple[tuple[str, str], ...]:
    """What the second opinion leaves open."""
    points = [
        (f"The two methods contradict each other on {item.name} with {fault_words(item.faults)}: a defect of "
         "the program; do not rely on this report.", "second-opinion")
        for item in result.disagreements
    ]  # fmt: skip
    if result.undecided:
        names = ", ".join(dict.fromkeys(item.name for item in result.undecided))
        points.append((f"The second method had no opinion on: {names}.", "second-opinion"))
    return tuple(points)
