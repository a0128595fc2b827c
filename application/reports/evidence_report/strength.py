"""Sections of the evidence report on how strong the evidence is: layers and weakenings.

Each is written from a finished result; one that was not computed has no section and stands
among the open points.
"""

from __future__ import annotations

from stillgate.diagrams.diagram import plain
from stillgate.diagrams.matrices.table import Table
from stillgate.diagrams.pages.report_page import Block, Bullets, Prose, Section, TableBlock
from stillgate.interlocks.results.layer_rows import Carrier, LayerTable
from stillgate.interlocks.results.verdict import CheckResult, Word
from stillgate.interlocks.results.weakenings import StrengthList, Weakening, WeakeningKind

from ...console.words import count_words, fault_words, judgement_words
from .verdicts import NONE, new_assumptions, word_style

# -- layers ----------------------------------------------------------------------------------


def layer_section(table: LayerTable, result: CheckResult) -> Section:
    """Which layer carries each requirement that names a hazard."""
    scan = result.scan
    rows = Table(
        "layers",
        "Layers",
        ("requirement", "hazard", "sequences alone", "interlocks alone", "both", "carried by", "in words"),
        tuple(
            (
                row.requirement,
                row.hazard,
                judgement_words(row.sequences, scan),
                judgement_words(row.interlocks, scan),
                judgement_words(row.both, scan),
                row.carrier.value,
                plain(row.text),
            )
            for row in table.rows
        ),
        (
            "A verdict in italics is of a layer alone and need not hold.",
            *((table.tick_caution,) if table.tick_caution else ()),
        ),
    )
    words = {
        (number, column): "minor" if column < 4 else word_style(judgement.word)
        for number, row in enumerate(table.rows)
        for column, judgement in enumerate((row.sequences, row.interlocks, row.both), start=2)
        if judgement.word is not Word.HOLDS
    }
    links = {(number, 0): f"requirement-{row.requirement}" for number, row in enumerate(table.rows)}
    budget = fault_words(table.faults)
    intro = Prose((f"Every requirement that names a hazard, judged three ways, with {budget}.",))
    blocks: list[Block] = [intro, TableBlock(rows, links, words)]
    if assumed := new_assumptions(table.assumptions, result):
        blocks.append(Bullets(assumed))
    return Section("layers", "Which layer carries a requirement", tuple(blocks))


# -- strength --------------------------------------------------------------------------------


def strength_section(result: StrengthList, checked: CheckResult) -> Section:
    """How many weakenings a requirement notices, and each of those that none does."""
    total = len(result.weakenings)
    intro = Prose(
        (
            f"{count_words(total, 'weakening')} of conditions, interlocks, overrides, exits and times were "
            f"tried one by one; a requirement noticed {result.noticed} of them ({result.share:.1%}), none "
            f"notices {len(_of(result, noticed=False))}, and {len(_of(result, noticed=None))} are undecided. "
            "One that none notices means that what was weakened is superfluous or that a "
            "requirement is missing.",
            "An unnoticed weakening is no break: another layer may stand in for the one that was weakened, "
            "and a requirement that speaks of the outcome alone cannot tell. But nobody would notice either "
            "if somebody took the layer out; a requirement on that single layer would.",
            "Undecided: nothing broke in what was looked at, which the list names; a fault that was not "
            "tried, or a search that goes on longer, may still show it.",
        )
    )
    blocks: list[Block] = [intro, TableBlock(_by_kind(result))]
    for name, title, noticed in (
        ("unnoticed", "Weakenings that no requirement notices", False),
        ("undecided_weakenings", "Weakenings that are undecided", None),
    ):
        if items := _of(result, noticed=noticed):
            blocks.append(TableBlock(_listed(name, title, items)))
    if assumed := new_assumptions(result.assumptions, checked):
        blocks.append(Bullets(assumed))
    return Section("strength", "What the requirements notice", tuple(blocks))


def _by_kind(result: StrengthList) -> Table:
    rows = []
    for kind in WeakeningKind:
        items = [item for item in result.weakenings if item.kind is kind]
        if items:
            noticed = sum(item.noticed is True for item in items)
            undecided = sum(item.noticed is None for item in items)
            rows.append(
                (
                    kind.value,
                    str(len(items)),
                    str(noticed),
                    str(len(items) - noticed - undecided),
                    str(undecided),
                )
            )
    return Table(
        "weakenings",
        "Weakenings by kind",
        ("kind", "tried", "noticed", "not noticed", "undecided"),
        tuple(rows),
    )


def _of(result: StrengthList, *, noticed: bool | None) -> tuple[Weakening, ...]:
    """Weakenings that are noticed, are not, or are undecided (None)."""
    return tuple(item for item in result.weakenings if item.noticed is noticed)


def _listed(name: str, title: str, items: tuple[Weakening, ...]) -> Table:
    return Table(
        name,
        title,
        ("line", "where", "weakening", "finding"),
        tuple(
            (
                str(item.line),
                item.place,
                plain(item.text.removeprefix(f"{item.place}: ")),
                _finding(item),
            )
            for item in items
        ),
    )


def _finding(item: Weakening) -> str:
    return f"changes nothing: {item.reason}" if item.equivalent else item.reason or "not noticed"


def all_weakenings(result: StrengthList) -> Table:
    """Every weakening, for a file of comma-separated values."""
    return Table(
        "all_weakenings",
        "All weakenings",
        ("line", "where", "kind", "weakening", "noticed", "by", "faults", "fault", "ticks", "reason"),
        tuple(
            (
                str(item.line), item.place, item.kind.value, plain(item.text),
                {True: "yes", False: "no", None: "undecided"}[item.noticed], item.by, str(item.faults),
                item.fault, NONE if item.depth is None else str(item.depth), item.reason,
            )
            for item in result.weakenings
        ),
    )  # fmt: skip


# -- open points -----------------------------------------------------------------------------


def layer_points(table: LayerTable) -> list[tuple[str, str]]:
    """Requirements that no layer carries alone, and those undecided."""
    points: list[tuple[str, str]] = []
    for carrier, words in (
        (Carrier.BOTH, "Only sequences and interlocks together carry"),
        (Carrier.UNDECIDED, "Which layer carries it is undecided for"),
    ):
        names = ", ".join(row.requirement for row in table.rows if row.carrier is carrier)
        if names:
            points.append((f"{words}: {names}.", "layers"))
    return points


def strength_points(result: StrengthList) -> list[tuple[str, str]]:
    """Weakenings that nobody notices, and those of which it is not known."""
    points: list[tuple[str, str]] = []
    if quiet := _of(result, noticed=False):
        points.append(
            (
                f"{count_words(len(quiet), 'weakening')} that no requirement notices. That is no defect of "
                "the logic: another layer may stand in for what was weakened. Write a requirement for that "
                "layer alone, or judge it and write down why none is needed.",
                "strength",
            )
        )
    if unknown := _of(result, noticed=None):
        points.append(
            (
                f"{count_words(len(unknown), 'weakening')} undecided: nothing broke in what was looked at, "
                "but a fault that was not tried or a longer search may show it (stillgate strength --full). "
                "Until then they are to be judged in the same way.",
                "strength",
            )
        )
    return points
