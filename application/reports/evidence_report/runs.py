"""What an evidence report computes besides the check: fault table, layers, strength, second opinion.

Each is a search or many of its own. What is left out or cut short becomes an open point.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Literal

from stillgate.controller.effort import Effort
from stillgate.controller.reading.reader import MachineDocument
from stillgate.diagrams.matrices.table import Table
from stillgate.diagrams.pages.report_page import Section
from stillgate.interlocks.results.layer_rows import LayerTable
from stillgate.interlocks.results.verdict import CheckResult

from .faults import fault_points, fault_section
from .open_points import Point
from .strength import all_weakenings, layer_points, layer_section, strength_points, strength_section

Work = Literal["fault-table", "layers", "strength"]
"""What can be left out of a report by name."""

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
    cross_check: bool = False,
    pairs: bool = False,
    effort: Effort | None = None,
    tell: Callable[[str], None] = lambda text: None,
) -> FurtherWork:
    """Computes what is asked for and writes its sections.

    An interrupt ends the work; what is finished by then is kept, and the rest is named as not run.

    Args:
        leave_out: names of ``Work`` that are not to be run.
        cross_check: ask the second method too.
        pairs: look at every pair of faults too, in the fault table.
        effort: of all of them together, one after another; each gets its part of the time that is left.
        tell: told what is being done.

    Raises:
        ToolMissing: if a second opinion is asked for and its solver is not installed.
    """
    given = effort or Effort()
    job = _Job(document, result, pairs, tell)
    work = FurtherWork()
    runs = {
        "fault-table": job.fault_table,
        "layers": job.layers,
        "strength": job.strength,
        "second-opinion": job.cross_check,
    }
    to_go = parts_of(result.faults, leave_out, cross_check=cross_check)
    for name, run in runs.items():
        work.interrupted = work.interrupted or given.stop.is_set()
        if work.interrupted:
            work.not_run.append(f"'{NAMES[name]}' was not run: the work was interrupted.")
        elif name in leave_out:
            work.not_run.append(f"'{NAMES[name]}' was left out of this report on request.")
        elif name == "fault-table" and not result.faults:
            work.not_run.append(f"'{NAMES[name]}' was not run, since the check looked at no faults.")
        elif name == "second-opinion" and not cross_check:
            work.not_run.append(f"'{NAMES[name]}' was not asked for (--second-opinion).")
        else:
            tell(NAMES[name].lower())
            try:
                run(work, given.part(to_go))
                to_go -= 1
            except KeyboardInterrupt:
                work.interrupted = True
                work.not_run.append(f"'{NAMES[name]}' was not finished: the work was interrupted.")
    work.interrupted = work.interrupted or given.stop.is_set()
    return work


def parts_of(faults: int, leave_out: Collection[str], *, cross_check: bool) -> int:
    """How many parts are run, among which the time is shared.

    Args:
        faults: fault budget of the check; without faults there is no fault table.
    """
    wanted = {"layers", "strength"} | ({"fault-table"} if faults else set())
    return len(wanted - set(leave_out)) + cross_check


@dataclass(frozen=True)
class _Job:
    document: MachineDocument
    result: CheckResult
    pairs: bool
    tell: Callable[[str], None]

    def fault_table(self, work: FurtherWork, effort: Effort) -> None:
        from stillgate.interlocks.analyses.fault_table import fault_table_of

        table = fault_table_of(
            self.document,
            tick=self.result.tick,
            pairs=self.pairs,
            effort=effort,
            pairs_progress=lambda done, of: self.tell(f"pairs of faults: {done} of {of}"),
        )
        work.pairs = table.pairs_text
        work.sections.append(fault_section(self.document.machine, table, self.result))
        work.points += fault_points(table)

    def layers(self, work: FurtherWork, effort: Effort) -> None:
        from stillgate.interlocks.analyses.layer_table import layers

        table = layers(self.document, self.result, effort=effort)
        work.layers = table
        work.sections.append(layer_section(table, self.result))
        work.points += layer_points(table)

    def strength(self, work: FurtherWork, effort: Effort) -> None:
        from stillgate.interlocks.mutation.mutation_run import strength

        found = strength(
            self.document,
            self.result,
            effort=effort,
            progress=lambda done, of: self.tell(f"what the requirements notice: {done} of {of}"),
        )
        work.sections.append(strength_section(found, self.result))
        work.points += strength_points(found)
        work.tables.append(all_weakenings(found))

    def cross_check(self, work: FurtherWork, effort: Effort) -> None:
        from stillgate.interlocks.analyses.cross_check import cross_checked

        from .cross_check import cross_check_points, cross_check_section

        found = cross_checked(
            self.document,
            tick=self.result.tick,
            faults=self.result.faults,
            effort=effort,
            explored=self.result,
            tell=self.tell,
        )
        work.sections.append(cross_check_section(found))
        work.points += cross_check_points(found)
        work.contradicted = bool(found.disagreements)
