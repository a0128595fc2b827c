"""Sections of the evidence report on how strong the evidence is: faults, layers, weakenings.

Each is written from a finished result; one that was not computed has no section and stands
among the open points.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from stillgate.controller.machine import Machine
from stillgate.diagrams.diagram import plain
from stillgate.diagrams.report_page import Block, Bullets, Part, Prose, Section, TableBlock, Timing
from stillgate.diagrams.table import Table
from stillgate.interlocks.evidence import (
    Carrier,
    FaultBreak,
    FaultRow,
    FaultTable,
    LayerTable,
    Outcome,
    StrengthList,
    Weakening,
    WeakeningKind,
)
from stillgate.interlocks.verdict import CheckResult, Story, Word
from stillgate.interlocks.wording import time_text

from .evidence_verdicts import explored_words, story_chart
from .words import count_words, fault_words, judgement_words

NONE = "-"

Known = Mapping[tuple[str, int, object], str]
"""Anchors of stories that stand elsewhere in the report, by what tells a story from another."""


# -- faults ----------------------------------------------------------------------------------


def fault_section(machine: Machine, table: FaultTable, result: CheckResult) -> Section:
    """What each fault leads to, with the story of each break; diagnostic coverage.

    Args:
        result: the check; a story that it tells already is not told again.
    """
    known = {_key(item.story): f"break-{item.name}" for item in result.requirements if item.story is not None}
    parts = [_fault_rows("single", "Single faults", table.rows, known)]
    if table.pairs:
        parts.append(_fault_rows("pairs", "Pairs of faults", table.pairs, known, (table.pairs_text,)))
    if table.coverage:
        parts.append(_coverage(table))
    told = (*table.rows, *table.pairs)
    parts += [
        part
        for row in told
        if _anchor(row, known) == _story_name(row)
        and (part := _fault_story(machine, row, table, result)) is not None
    ]
    notes = Bullets((*_new(table.assumptions, result), explored_words(table.exploration)))
    counts = Counter(row.outcome for row in table.rows)
    said = ", ".join(f"{outcome.value}: {counts[outcome]}" for outcome in Outcome if counts[outcome])
    intro = Prose((f"{count_words(len(table.rows), 'single fault')}; {said}.",))
    return Section("faults", "What each fault leads to", (intro, notes), tuple(parts))


def _new(assumptions: tuple[str, ...], result: CheckResult) -> tuple[str, ...]:
    """Those that the section on assumptions does not list already."""
    return tuple(item for item in assumptions if item not in result.assumptions)


def _key(story: Story) -> tuple[str, int, object]:
    return story.headline, story.ticks, story.steps


def _anchor(row: FaultRow, known: Known) -> str:
    """Where the row's story is told."""
    item = _told(row)
    if item is None or item.story is None:
        return ""
    return known.get(_key(item.story), _story_name(row))


def fault_rows_table(table: FaultTable) -> Table:
    """Single faults, then pairs where they were asked for, as one table of plain text."""
    block = _fault_rows("rows", "What each fault leads to", (*table.rows, *table.pairs), {}).blocks[0]
    assert isinstance(block, TableBlock)
    return block.table


def _fault_rows(
    name: str, title: str, rows: tuple[FaultRow, ...], known: Known, said: tuple[str, ...] = ()
) -> Part:
    table = Table(
        f"faults_{name}",
        title,
        ("fault", "outcome", "what happens", "stopped after at most", "dangerous"),
        tuple(
            (
                row.fault,
                row.outcome.value,
                plain(row.text),
                NONE if row.stop_time is None else time_text(row.stop_time),
                {None: NONE, True: "yes", False: "no"}[row.dangerous],
            )
            for row in rows
        ),
        (
            *said,
            "Outcome: the first that fits of: breaks, harmless, stops by itself, goes unnoticed. "
            "Dangerous: the first difference that the fault makes can be an output with a hazard that is on "
            "and would be off. A fault that breaks something leads to its story; in italics: only beyond "
            "what the requirement must withstand.",
        ),
    )
    links = {(n, 1): anchor for n, row in enumerate(rows) if (anchor := _anchor(row, known))}
    words = {(n, 1): word for n, row in enumerate(rows) if (word := _outcome_style(row)) is not None}
    anchors = {n: f"fault-{_slug(row.fault)}" for n, row in enumerate(rows)}
    return Part(f"part-faults-{name}", title, (TableBlock(table, links, words, anchors),))


def _outcome_style(row: FaultRow) -> str | None:
    match row.outcome:
        case Outcome.BREAKS:
            return "broken" if any(item.counts for item in row.breaks) else "minor"
        case Outcome.UNDECIDED:
            return "undecided"
        case _:
            return None


def _told(row: FaultRow) -> FaultBreak | None:
    """The break that is told: the shortest that counts, else the shortest."""
    with_story = [item for item in row.breaks if item.story is not None]
    return next((item for item in with_story if item.counts), next(iter(with_story), None))


def _fault_story(machine: Machine, row: FaultRow, table: FaultTable, result: CheckResult) -> Part | None:
    item = _told(row)
    if item is None or item.story is None:
        return None
    breaks = "; ".join(
        f"{broken.requirement} after {time_text((broken.depth - 1) * table.exploration.tick)}"
        f"{'' if broken.counts else ' (need not withstand it)'}"
        for broken in row.breaks
    )
    chart = story_chart(machine, item.story, result, item.requirement, chart=_story_name(row))
    return Part(_story_name(row), f"Story: {row.fault}", (Prose((f"Breaks {breaks}.",)), Timing(chart)))


def _story_name(row: FaultRow) -> str:
    return f"story-{_slug(row.fault)}"


def _slug(text: str) -> str:
    return text.replace(" ", "-")


def _coverage(table: FaultTable) -> Part:
    rows = Table(
        "coverage",
        "Diagnostic coverage",
        ("signal", "dangerous", "detected", "detected by the next start", "coverage", "band", "in words"),
        tuple(
            (
                item.subject,
                f"{item.dangerous:g}",
                f"{item.detected:g}",
                f"{item.at_next_start:g}",
                NONE if item.ratio is None else f"{item.ratio:.0%}",
                item.band,
                plain(item.text),
            )
            for item in table.coverage
        ),
        ("Coverage: rate of dangerous faults that are detected over the rate of all dangerous faults "
         "(ISO 13849-1), from the table above; the rates assumed stand among its assumptions.",),
    )  # fmt: skip
    return Part("part-coverage", "Diagnostic coverage", (TableBlock(rows),))


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
        ("A verdict in italics is of a layer alone and need not hold.",),
    )
    words = {
        (number, column): "minor" if column < 4 else judgement.word.value
        for number, row in enumerate(table.rows)
        for column, judgement in enumerate((row.sequences, row.interlocks, row.both), start=2)
        if judgement.word is not Word.HOLDS
    }
    links = {(number, 0): f"requirement-{row.requirement}" for number, row in enumerate(table.rows)}
    budget = fault_words(table.faults)
    intro = Prose((f"Every requirement that names a hazard, judged three ways, with {budget}.",))
    blocks: list[Block] = [intro, TableBlock(rows, links, words)]
    if assumed := _new(table.assumptions, result):
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
    if assumed := _new(result.assumptions, checked):
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


def fault_points(table: FaultTable) -> list[tuple[str, str]]:
    """What the fault table leaves open: text, and the anchor of the place that tells more."""
    points: list[tuple[str, str]] = []
    quiet = [row for row in table.rows if row.outcome is Outcome.UNNOTICED]
    if quiet:
        count = count_words(len(quiet), "fault goes", "faults go")
        names = ", ".join(row.fault for row in quiet if row.dangerous)
        worst = f" Dangerous among them: {names}." if names else ""
        points.append((f"{count} unnoticed, until a second one comes; see the table.{worst}", "faults"))
    points += [
        (f"The outcome of the fault '{row.fault}' is undecided.", f"fault-{_slug(row.fault)}")
        for row in table.rows
        if row.outcome is Outcome.UNDECIDED
    ]
    if not table.exploration.exhausted:
        points.append(("The fault table was cut short by a limit.", "faults"))
    return points


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
                "the logic: another layer may stand in for what was weakened. Write a requirement for that layer "
                "alone, or judge it and write down why none is needed.",
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
