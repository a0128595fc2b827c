"""What an evidence report computes besides the check: fault table, layers, strength, second opinion.

Each is a search or many of its own. What is left out or cut short becomes an open point.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Literal

from stillgate.controller.reader import MachineDocument
from stillgate.diagrams.report_page import Section
from stillgate.diagrams.table import Table
from stillgate.interlocks.evidence import LayerTable
from stillgate.interlocks.verdict import CheckResult

from .evidence_faults import fault_points, fault_section
from .evidence_open import Point
from .evidence_strength import (
    all_weakenings,
    layer_points,
    layer_section,
    strength_points,
    strength_section,
)

Work = Literal["fault-table", "layers", "strength"]
"""What can be left out of a report by name."""

LAYER_SECONDS = 20.0
"""For each search of the layers where no limit is given, as of ``stillgate layers``: with outputs at will
some would go on for hours; what is cut short is undecided, and said to be."""

NAMES: dict[str, str] = {
    "fault-table": "What each fault leads to",
    "layers": "Which layer carries a requirement",
    "strength": "What the requirements notice",
    "second-opinion": "A second opinion by another method",
}


@dataclass
class FurtherWork:
    """Sections in their order, what they leave open, what was not run, and tables too long for a page."""

    sections: list[Section] = field(default_factory=list)
    points: list[Point] = field(default_factory=list)
    not_run: list[str] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)
    layers: LayerTable | None = None
    pairs: str = ""  # what was covered of pairs of faults
    interrupted: bool = False
    contradicted: bool = False  # by the second opinion


def further_work(
    document: MachineDocument,
    result: CheckResult,
    *,
    leave_out: Collection[str] = (),
    opinion: bool = False,
    pairs: bool = False,
    threads: int | None = None,
    time_limit: float | None = None,
    tell: Callable[[str], None] = lambda text: None,
) -> FurtherWork:
    """Computes what is asked for and writes its sections.

    An interrupt ends the work; what is finished by then is kept, and the rest is named as not run.

    Args:
        leave_out: names of ``Work`` that are not to be run.
        opinion: ask the second method too.
        pairs: look at every pair of faults too, in the fault table.
        time_limit: seconds for each of them.
        tell: told what is being done.

    Raises:
        ToolMissing: if a second opinion is asked for and its solver is not installed.
    """
    job = _Job(document, result, pairs, threads, time_limit, tell)
    work = FurtherWork()
    for name, run in (
        ("fault-table", job.fault_table),
        ("layers", job.layers),
        ("strength", job.strength),
        ("second-opinion", job.second_opinion),
    ):
        if work.interrupted:
            work.not_run.append(f"'{NAMES[name]}' was not run: the work was interrupted.")
        elif name in leave_out:
            work.not_run.append(f"'{NAMES[name]}' was left out of this report on request.")
        elif name == "fault-table" and not result.faults:
            work.not_run.append(f"'{NAMES[name]}' was not run, since the check looked at no faults.")
        elif name == "second-opinion" and not opinion:
            work.not_run.append(f"'{NAMES[name]}' was not asked for (--second-opinion).")
        else:
            tell(NAMES[name].lower())
            try:
                run(work)
            except KeyboardInterrupt:
                work.interrupted = True
                work.not_run.append(f"'{NAMES[name]}' was not finished: the work was interrupted.")
    return work


@dataclass(frozen=True)
class _Job:
    document: MachineDocument
    result: CheckResult
    pairs: bool
    threads: int | None
    time_limit: float | None
    tell: Callable[[str], None]

    def fault_table(self, work: FurtherWork) -> None:
        from stillgate.interlocks.fault_table import fault_table

        table = fault_table(
            self.document,
            tick=self.result.tick,
            pairs=self.pairs,
            threads=self.threads,
            time_limit=self.time_limit,
            pairs_progress=lambda done, of: self.tell(f"pairs of faults: {done} of {of}"),
        )
        work.pairs = table.pairs_text
        work.sections.append(fault_section(self.document.machine, table, self.result))
        work.points += fault_points(table)

    def layers(self, work: FurtherWork) -> None:
        from stillgate.interlocks.layers import layers

        limit = LAYER_SECONDS if self.time_limit is None else self.time_limit
        table = layers(self.document, self.result, threads=self.threads, time_limit=limit)
        work.layers = table
        work.sections.append(layer_section(table, self.result))
        work.points += layer_points(table)

    def strength(self, work: FurtherWork) -> None:
        from stillgate.interlocks.strength import strength

        found = strength(
            self.document,
            self.result,
            threads=self.threads,
            time_limit=self.time_limit,
            progress=lambda done, of: self.tell(f"what the requirements notice: {done} of {of}"),
        )
        work.sections.append(strength_section(found, self.result))
        work.points += strength_points(found)
        work.tables.append(all_weakenings(found))

    def second_opinion(self, work: FurtherWork) -> None:
        from stillgate.interlocks.second_opinion import second_opinion

        from .evidence_opinion import opinion_points, opinion_section

        found = second_opinion(
            self.document,
            tick=self.result.tick,
            faults=self.result.faults,
            time_limit=self.time_limit,
            explored=self.result,
            tell=self.tell,
        )
        work.sections.append(opinion_section(found))
        work.points += opinion_points(found)
        work.contradicted = bool(found.disagreements)
