"""Sections of the evidence report about verdicts: the table, the stories, the assumptions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.expressions.expression import Name, walk
from stillgate.controller.machine_file.field_types import Condition, Milliseconds
from stillgate.controller.machine_file.machine import Machine, Response
from stillgate.diagrams.charts.chart import Chart, Window, chart_of
from stillgate.diagrams.diagram import plain
from stillgate.diagrams.matrices.table import Table
from stillgate.diagrams.pages.report_page import (
    Block,
    Bullets,
    Part,
    Prose,
    Section,
    TableBlock,
    TimingFigure,
)
from stillgate.interlocks.requirements.requirement_times import response_ticks
from stillgate.interlocks.results.layer_rows import LayerTable
from stillgate.interlocks.results.recording import recording_of_story
from stillgate.interlocks.results.verdict import CheckResult, Exploration, RequirementVerdict, Story, Word

from ...console.words import (
    beside_slices,
    count_words,
    fault_words,
    judgement_words,
    slice_words,
    verdict_words,
    with_sets,
)

NONE = "-"
NO_PAIRS = (
    "Pairs of faults were not looked at in this report: what a second fault does while a first one stays is "
    "open. 'stillgate report --pairs' looks at each pair, with a search of its own."
)


def word_style(word: Word) -> str:
    """How the page marks a verdict that is not 'holds': what is only not broken counts as undecided."""
    return Word.UNDECIDED.value if word is Word.NOT_BROKEN else word.value


def verdicts_section(result: CheckResult) -> Section:
    """What must hold, what must never happen, and what the check says of it; hazards first."""
    against = [item for item in result.requirements if item.hazard]
    others = [item for item in result.requirements if not item.hazard]
    notes = _verdict_notes(result)
    if not (against and others):
        only = _verdict_table(result, "verdicts", "Verdicts", against or others, notes)
        return Section("verdicts", "Verdicts", (only,))
    tables = (
        _verdict_table(result, "verdicts", "Requirements that name a hazard", against),
        _verdict_table(result, "verdicts_others", "Other requirements", others, notes),
    )
    return Section("verdicts", "Verdicts", tables)


def _verdict_table(
    result: CheckResult, name: str, title: str, items: Sequence[RequirementVerdict], notes: Sequence[str] = ()
) -> TableBlock:
    budgets = sorted({judgement.faults for item in result.requirements for judgement in item.judgements})
    hazard = ("hazard",) if items and items[0].hazard else ()
    rows: list[tuple[str, ...]] = []
    links: dict[tuple[int, int], str] = {}
    words: dict[tuple[int, int], str] = {}
    for number, item in enumerate(items):
        said = {judgement.faults: judgement for judgement in item.judgements}
        cells = [item.name, plain(item.text), *((item.hazard or NONE,) if hazard else ())]
        for column, budget in enumerate(budgets, start=len(cells)):
            judgement = said.get(budget)
            cells.append(NONE if judgement is None else judgement_words(judgement, result.scan))
            if judgement is not None and judgement.word is not Word.HOLDS:
                counts = judgement.faults <= item.faults
                words[number, column] = word_style(judgement.word) if counts else "minor"
                if judgement.story is not None:
                    links[number, column] = f"break-{item.name}"
        links[number, 0] = f"requirement-{item.name}"
        rows.append((*cells, fault_words(item.faults)))
    head = ("requirement", "what it says", *hazard, *(f"with {fault_words(b)}" for b in budgets), "must bear")
    return TableBlock(Table(name, title, head, tuple(rows), tuple(notes)), links, words)


def _verdict_notes(result: CheckResult) -> list[str]:
    at_scan = result.tick == result.scan
    notes = [
        "'undecided': a limit ended the search first. A verdict in italics is beyond what the requirement "
        "must withstand."
    ]
    if at_scan:
        holds = "'holds': every reachable situation was visited, and the requirement was never broken."
        notes = [f"{holds} {notes[0]}"]
    if result.faults:
        notes.append(
            f"'{NONE}': not asked with a fault, for it says what is possible, or names no hazard and the "
            "file asks for it without faults."
        )
    if not at_scan:
        notes.append(
            f"'not broken at {format_duration(result.tick)}': every situation was visited that steps of "
            f"{format_duration(result.tick)} lead to, while the controller scans every "
            f"{format_duration(result.scan)}. It counts as undecided. {result.tick_caution}"
        )
    return notes


def requirements_section(machine: Machine, result: CheckResult, layers: LayerTable | None) -> Section:
    """Every requirement in full, with the layer that carries it if that was looked into."""
    table = requirement_table(result, layers)
    anchors = {number: f"requirement-{item.name}" for number, item in enumerate(result.requirements)}
    words = {
        (number, 6): word_style(item.verdict)
        for number, item in enumerate(result.requirements)
        if item.verdict is not Word.HOLDS
    }
    hazards = Table(
        "hazards",
        "Hazards and the requirements against them",
        ("hazard", "what can happen", "requirements"),
        tuple(
            (name, plain(text), ", ".join(r.name for r in result.requirements if r.hazard == name) or "none")
            for name, text in machine.hazards.items()
        ),
    )
    blocks: list[Block] = [TableBlock(table, words=words, anchors=anchors)]
    if hazards.rows:
        blocks.append(TableBlock(hazards))
    return Section("requirements", "Requirements in full", tuple(blocks))


def _bears(item: RequirementVerdict, result: CheckResult) -> str:
    if item.withstands is None:
        return NONE
    tried = max(judgement.faults for judgement in item.judgements)
    return f"{item.withstands}, {tried + 1} not tried" if tried < result.faults else str(item.withstands)


def requirement_table(result: CheckResult, layers: LayerTable | None) -> Table:
    """Requirements with hazard, pattern, formal meaning, verdict, layer and the faults they bear."""
    carriers = {row.requirement: row.carrier.value for row in layers.rows} if layers is not None else {}
    return Table(
        "requirements",
        "Requirements",
        (
            "requirement",
            "hazard",
            "pattern",
            "formal meaning",
            "must bear",
            "bears",
            "verdict",
            *(("carried by",) if layers is not None else ()),
            "why",
            "line",
        ),
        tuple(
            (
                item.name,
                item.hazard or NONE,
                item.pattern,
                plain(item.formula),
                str(item.faults),
                _bears(item, result),
                verdict_words(item.verdict, result.tick, result.scan),
                *((carriers.get(item.name, NONE),) if layers is not None else ()),
                plain(item.why) or NONE,
                str(item.line),
            )
            for item in result.requirements
        ),
        (
            "Patterns: Dwyer, Avrunin, Corbett, ICSE 1999; Konrad, Cheng, ICSE 2005. G: at every instant "
            "from now on; F[0, t]: at some instant within t; W: weak until; EF, AG EF: on some run, from "
            "everywhere.",
            "Names of inputs mean the circuit as it is, names of outputs what is physically driven; seen.x "
            "and asked.y are the controller's own views. Must bear, bears: how many faults; '-': none is "
            "borne, it breaks without or nothing is decided; 'not tried': with a fault it was not asked, for "
            "it says what is possible, or names no hazard and the file asks for it without faults. Line: in "
            "the machine file.",
            *((_CARRIED,) if layers is not None else ()),
        ),
    )


_CARRIED = (
    "Carried by: the layer that keeps the requirement when it works alone; looked into for requirements "
    "that name a hazard; see the section on layers."
)


def breaks_section(machine: Machine, result: CheckResult) -> Section | None:
    """How requirements break: the shortest story of each, those that count first."""
    broken = [item for item in result.requirements if any(j.word is Word.BROKEN for j in item.judgements)]
    broken.sort(key=lambda item: item.verdict is not Word.BROKEN)
    parts = [_break(machine, item, result) for item in broken]
    parts += [
        Part(
            f"finding-{number}",
            f"{finding.kind.value}: {finding.subject}",
            (
                Prose((finding.message,)),
                TimingFigure(story_chart(machine, finding.story, result, f"finding-{number}")),
            ),
        )
        for number, finding in enumerate(result.findings, start=1)
        if finding.story is not None
    ]
    if not parts:
        return None
    intro = Prose(
        (
            "Each story is the shortest way from power-on to the break that the check found: who did what, "
            "when, and what the controller did then, and why. The charts are drawn from the same run as the "
            "verdict.",
        )
    )
    return Section("breaks", "How requirements break", (intro,), tuple(parts))


def _break(machine: Machine, item: RequirementVerdict, result: CheckResult) -> Part:
    broken = [judgement for judgement in item.judgements if judgement.word is Word.BROKEN]
    counts = item.verdict is Word.BROKEN
    lines = [f"Requirement, line {item.line}: {plain(item.text)}"]
    lines += [f"{name}: {plain(meaning)}" for name, meaning in item.names]
    requirement = machine.requirements.get(item.name)
    if isinstance(requirement, Response):
        lines.append(_limit_words(requirement.within, result))
    if item.why:
        lines.append(f"Why it is required: {plain(item.why)}")
    if not counts:
        lines.append(
            f"It need not withstand {fault_words(broken[0].faults)}, so this does not count as broken."
        )
    lines += [f"With {fault_words(j.faults)}: {j.reason}." for j in broken if j.reason]
    blocks: list[Block] = [Prose(tuple(lines))]
    if item.story is not None:
        blocks.append(TimingFigure(story_chart(machine, item.story, result, item.name)))
    title = f"{item.name}{'' if counts else ' (beyond what it must withstand)'}"
    return Part(f"break-{item.name}", title, tuple(blocks))


def _limit_words(within: Milliseconds, result: CheckResult) -> str:
    """What a limit comes to in ticks, which is less than the file says and would look like a mistake."""
    ticks = response_ticks(within, result.scan, result.tick)
    if ticks < 0:
        limit = format_duration(within)
        return f"How it was judged: {limit} is shorter than a scan, so no answer can be in time."
    how = f"within {format_duration(ticks * result.tick)} of" if ticks else "in the same instant as"
    return (
        f"How it was judged: the answer must be there {how} the trigger. That is what remains of "
        f"{format_duration(within)} in whole ticks of {format_duration(result.tick)} when one scan of "
        f"{format_duration(result.scan)} is taken off, since a switch may change just after it was read."
    )


def story_chart(machine: Machine, story: Story, result: CheckResult, name: str, *, chart: str = "") -> Chart:
    """The timing chart of a story; signals that the requirement reads are drawn even if they rest.

    Args:
        name: the requirement, or a finding.
        chart: name of the chart if that is another.
    """
    requirement = machine.requirements.get(name)
    windows: tuple[Window, ...] = ()
    read: set[str] = set()
    if requirement is not None:
        text = next(item.text for item in result.requirements if item.name == name)
        if story.window is not None:
            windows = (Window(*story.window, plain(text)),)
        conditions = [getattr(requirement, field) for field in type(requirement).model_fields]
        paths = {
            node.path.removeprefix("seen.").removeprefix("asked.")
            for condition in conditions
            if isinstance(condition, Condition)
            for node in walk(condition.tree)
            if isinstance(node, Name)
        }
        read = paths | {path.partition(".")[0] for path in paths}
    return chart_of(
        recording_of_story(machine, story, result.tick),
        name=chart or name,
        title=plain(story.headline),
        windows=windows,
        always=read,
    )


def assumptions_section(result: CheckResult, pairs: str = "") -> Section:
    """Under what the verdicts were found: what was widened, what was left out, what was explored.

    Args:
        pairs: what was covered of pairs of faults; empty if they were not looked at.
    """
    assumed = result.assumptions
    if result.faults or pairs:
        assumed = (*assumed, f"Pairs of faults, beside the verdicts: {pairs}" if pairs else NO_PAIRS)
    parts = [Part("assumed", "What was assumed and what was widened", (Bullets(assumed),))]
    if result.exclusions:
        table = Table(
            "exclusions", "Faults left out", ("fault", "reason given in the file"), result.exclusions
        )
        parts.append(
            Part("exclusions", "Faults left out, with the reason given (ISO 13849-2 fault exclusion)",
                 (TableBlock(table),))
        )  # fmt: skip
    parts.append(Part("explored", "What was explored", (Bullets(tuple(_all_explored(result))),)))
    if result.findings:
        items = tuple(f"line {f.line}: {f.kind.value}: {plain(f.message)}" for f in result.findings)
        note = Prose(
            (f"{count_words(len(items), 'thing')} noticed beyond the verdicts, judged without faults.",)
        )
        parts.append(Part("findings", "Findings", (note, Bullets(items))))
    return Section("assumptions", "Assumptions", (), tuple(parts))


def _all_explored(result: CheckResult) -> Iterator[str]:
    for item in result.exploration:
        yield beside_slices(explored_words(item).rstrip("."), item) + "."
        for part in item.slices:
            yield f"{slice_words(part)}. {explored_words(part.exploration)}"


def explored_words(item: Exploration) -> str:
    """What one search covered, without what it took: that differs from run to run."""
    reach = "every reachable situation was visited"
    if not item.exhausted:
        reach = f"the {item.stopped_by} ended the search before every reachable situation was visited"
    until = format_duration(item.depth * item.tick)
    single = (
        f"{reach}; {count_words(item.states, 'situation')}, {count_words(item.transitions, 'step')}, "
        f"up to {until} after power-on"
    )
    return f"With {fault_words(item.faults)}: {with_sets(single, item)}."


def new_assumptions(assumptions: tuple[str, ...], result: CheckResult) -> tuple[str, ...]:
    """Those that the section on assumptions does not list already."""
    return tuple(item for item in assumptions if item not in result.assumptions)
