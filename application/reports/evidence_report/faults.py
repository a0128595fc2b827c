"""Section of the evidence report on faults: what each leads to, coverage, what may stay hidden."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.machine import Machine
from stillgate.diagrams.diagram import plain
from stillgate.diagrams.graphs.signal_flow import driven_parts
from stillgate.diagrams.matrices.table import Table
from stillgate.diagrams.pages.report_page import Bullets, Part, Prose, Section, TableBlock, TimingFigure
from stillgate.interlocks.results.fault_table_rows import (
    MEANING,
    NEEDS_TEST,
    FaultBreak,
    FaultOutcome,
    FaultRow,
    FaultTable,
)
from stillgate.interlocks.results.verdict import CheckResult, Story

from ...console.words import count_words
from ..analyses.fault_matrix import STUCK, matrix_of_faults
from .verdicts import NONE, explored_words, new_assumptions, story_chart

TO_BE_TESTED = "part-faults-to-be-tested"

Known = Mapping[tuple[str, int, object], str]
"""Anchors of stories that stand elsewhere in the report, by what tells a story from another."""


def fault_section(machine: Machine, table: FaultTable, result: CheckResult) -> Section:
    """What each fault leads to, with the story of each break; diagnostic coverage.

    Args:
        result: the check; a story that it tells already is not told again.
    """
    known = {_key(item.story): f"break-{item.name}" for item in result.requirements if item.story is not None}
    parts = [_matrix(table), _fault_rows("single", "Single faults", table.rows, known)]
    hidden = [row for row in table.rows if row.outcome in NEEDS_TEST]
    if hidden:
        parts.append(_to_be_tested(machine, hidden))
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
    notes = Bullets((*new_assumptions(table.assumptions, result), explored_words(table.exploration)))
    counts = Counter(row.outcome for row in table.rows)
    said = ", ".join(f"{outcome.value}: {counts[outcome]}" for outcome in FaultOutcome if counts[outcome])
    intro = Prose((f"{count_words(len(table.rows), 'single fault')}; {said}.",))
    return Section("faults", "What each fault leads to", (intro, notes), tuple(parts))


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
    used = {row.outcome for row in rows}
    table = Table(
        f"faults_{name}",
        title,
        ("fault", "outcome", "what happens", "stopped after at most", "may hold on"),
        tuple(
            (
                row.fault,
                row.outcome.value,
                plain(row.text),
                NONE if row.stop_time is None else format_duration(row.stop_time),
                {None: NONE, True: "yes", False: "no"}[row.can_hold_on],
            )
            for row in rows
        ),
        (
            *said,
            *(f"{outcome.value}: {words}." for outcome, words in MEANING.items() if outcome in used),
            "The first outcome that fits stands in the table. Stopped after at most: counted from the scan "
            "in which the fault begins, also where it shows only later. May hold on: the first difference "
            "that the fault makes can be an output with a hazard that is on and would be off. A fault that "
            "breaks something leads to its story; in italics: only beyond what the requirement must "
            "withstand.",
        ),
    )
    links = {(n, 1): anchor for n, row in enumerate(rows) if (anchor := _anchor(row, known))}
    words = {(n, 1): word for n, row in enumerate(rows) if (word := _outcome_style(row)) is not None}
    anchors = {n: f"fault-{_slug(row.fault)}" for n, row in enumerate(rows)}
    return Part(f"part-faults-{name}", title, (TableBlock(table, links, words, anchors),))


def _outcome_style(row: FaultRow) -> str | None:
    match row.outcome:
        case FaultOutcome.BREAKS:
            return "broken" if any(item.counts for item in row.breaks) else "minor"
        case FaultOutcome.UNDECIDED:
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
        f"{broken.requirement} after {format_duration((broken.depth - 1) * table.exploration.tick)}"
        f"{'' if broken.counts else ' (need not withstand it)'}"
        for broken in row.breaks
    )
    chart = story_chart(machine, item.story, result, item.requirement, chart=_story_name(row))
    return Part(_story_name(row), f"Story: {row.fault}", (Prose((f"Breaks {breaks}.",)), TimingFigure(chart)))


def _story_name(row: FaultRow) -> str:
    return f"story-{_slug(row.fault)}"


def _matrix(table: FaultTable) -> Part:
    """Signals by stuck on and stuck off, each crossing with the way to the fault's row."""
    matrix = matrix_of_faults(table)
    rows = {row.fault: row for row in table.rows}
    links: dict[tuple[int, int], str] = {}
    words: dict[tuple[int, int], str] = {}
    for number, (signal, *_) in enumerate(matrix.rows):
        for column, stuck in enumerate(STUCK, start=1):
            row = rows.get(f"{signal} {stuck}") or (rows.get(signal) if column == 1 else None)
            if row is not None:
                links[number, column] = f"fault-{_slug(row.fault)}"
                if (word := _outcome_style(row)) is not None:
                    words[number, column] = word
    return Part("part-faults-matrix", matrix.title, (TableBlock(matrix, links, words),))


def _to_be_tested(machine: Machine, rows: list[FaultRow]) -> Part:
    """Faults that nothing need tell anybody of, by what they belong to: a heap of names says nothing."""
    groups: dict[str, list[FaultRow]] = {}
    for row in rows:
        groups.setdefault(_owner(machine, row.subject), []).append(row)
    outcomes = [outcome for outcome in FaultOutcome if any(row.outcome is outcome for row in rows)]
    cells = tuple(
        (owner, *(_signals(row for row in found if row.outcome is outcome) or NONE for outcome in outcomes))
        for owner, found in groups.items()
    )
    said = Prose(
        (
            "None of these breaks a requirement that is judged with a fault, and none need be seen at the "
            "machine. So each may stay for ever, and a second fault may join it: somebody must find it in "
            "time, by a test or an inspection. Where motion is lost or a later start fails, the operator "
            "sees it; such faults are not in this list.",
        )
    )
    table = Table(
        "faults_to_be_tested",
        "Faults that may stay hidden, by what the signal belongs to",
        ("belongs to", *(outcome.short for outcome in outcomes)),
        cells,
    )
    return Part(TO_BE_TESTED, "Faults that may stay hidden", (said, TableBlock(table)))


def _owner(machine: Machine, signal: str) -> str:
    """Part that the signal senses or moves, or who moves the input."""
    if signal in machine.inputs:
        parts = [name for name, part in machine.parts.items() if signal in part.senses]
        outside = "operator" if machine.inputs[signal].source == "operator" else "surroundings"
        return ", ".join(parts) or outside
    return ", ".join(driven_parts(machine, signal)) or "outputs that move no part"


def _signals(rows: Iterable[FaultRow]) -> str:
    """``seat_1 stuck on or off, estop_1 stuck on``."""
    levels: dict[str, list[str]] = {}
    for row in rows:
        levels.setdefault(row.subject, []).append(row.fault.removeprefix(f"{row.subject} stuck "))
    return ", ".join(f"{signal} stuck {' or '.join(found)}" for signal, found in levels.items())


def _slug(text: str) -> str:
    return text.replace(" ", "-")


def _coverage(table: FaultTable) -> Part:
    rows = Table(
        "coverage",
        "Diagnostic coverage",
        ("signal", "dangerous", "detected", "detected by the next start", "coverage", "band"),
        tuple(
            (
                item.subject,
                f"{item.dangerous:g}",
                f"{item.detected:g}",
                f"{item.at_next_start:g}",
                NONE if item.ratio is None else f"{item.ratio:.0%}",
                item.band,
            )
            for item in table.coverage
        ),
        ("Coverage: rate of the dangerous failures that are detected over the rate of all of them "
         "(ISO 13849-1). Which failures are dangerous, and their rates, was declared. Detected: the fault "
         "stops the machine for good, at once or as soon as it shows. Without a figure all rates are 0, or "
         "the search was cut short.",),
    )  # fmt: skip
    return Part("part-coverage", "Diagnostic coverage", (TableBlock(rows),))


def fault_points(table: FaultTable) -> list[tuple[str, str]]:
    """What the fault table leaves open: text, and the anchor of the place that tells more."""
    points: list[tuple[str, str]] = []
    hidden = [row for row in table.rows if row.outcome in NEEDS_TEST]
    if hidden:
        count = count_words(len(hidden), "fault")
        holding = sum(row.can_hold_on is True for row in hidden)
        points.append(
            (
                f"{count} may stay hidden ({holding or 'none'} may hold an output with a hazard on): no "
                "requirement that is judged with a fault is broken by one alone, but it may stay until a "
                "second one comes. Who finds it in time, and how?",
                TO_BE_TESTED,
            )
        )
    points += [
        (f"The outcome of the fault '{row.fault}' is undecided.", f"fault-{_slug(row.fault)}")
        for row in table.rows
        if row.outcome is FaultOutcome.UNDECIDED
    ]
    if not table.exploration.whole:
        points.append(("The fault table was cut short by a limit.", "faults"))
    if table.pairs:
        count = count_words(len(table.pairs), "pair breaks", "pairs break")
        points.append(
            (f"{count} of faults a requirement that neither fault breaks alone.", "part-faults-pairs")
        )
    if table.pairs_undecided:
        count = count_words(table.pairs_undecided, "pair of faults is", "pairs of faults are")
        points.append((f"{count} undecided.", "faults"))
    return points
