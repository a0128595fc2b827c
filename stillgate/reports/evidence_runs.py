"""What an evidence report computes besides the check: fault table, layers, strength, second opinion.

Each is a search or many of its own. What is left out or cut short becomes an open point.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Literal, get_args

from stillgate.controller.reader import MachineDocument
from stillgate.diagrams.report_page import Section
from stillgate.diagrams.table import Table
from stillgate.interlocks.evidence import FaultTable, LayerTable, StrengthList
from stillgate.interlocks.verdict import CheckResult

from .evidence_open import Point
from .evidence_strength import all_weakenings, fault_section, layer_section, open_points_of, strength_section

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


def further_work(
    document: MachineDocument,
    result: CheckResult,
    *,
    leave_out: Collection[str] = (),
    opinion: bool = False,
    threads: int | None = None,
    tell: Callable[[str], None] = lambda text: None,
) -> FurtherWork:
    """Computes what is asked for and writes its sections.

    Args:
        leave_out: names of ``Work`` that are not to be run.
        opinion: ask the second method too.
        tell: told what is being done.

    Raises:
        ToolMissing: if a second opinion is asked for and its solver is not installed.
    """
    machine = document.machine
    work = FurtherWork()
    run = [name for name in get_args(Work) if name not in leave_out]
    for name in leave_out:
        work.not_run.append(f"'{NAMES[name]}' was left out of this report on request.")
    faults: FaultTable | None = None
    layers: LayerTable | None = None
    weakened: StrengthList | None = None
    if "fault-table" in run and result.faults:
        from stillgate.interlocks.fault_table import fault_table

        tell("what each fault leads to")
        faults = fault_table(document, tick=result.tick, threads=threads)
        work.sections.append(fault_section(machine, faults, result))
    elif "fault-table" in run:
        work.not_run.append(f"'{NAMES['fault-table']}' was not run, since the check looked at no faults.")
    if "layers" in run:
        from stillgate.interlocks.layers import layers as judge_layers

        tell("which layer carries a requirement")
        layers = judge_layers(document, result, threads=threads)
        work.sections.append(layer_section(layers, result.scan))
    if "strength" in run:
        from stillgate.interlocks.strength import strength

        tell("what the requirements notice")
        weakened = strength(document, result, threads=threads)
        work.sections.append(strength_section(weakened))
        work.tables.append(all_weakenings(weakened))
    work.points += open_points_of(faults, layers, weakened)
    if opinion:
        _second_opinion(document, result, work, tell)
    else:
        work.not_run.append(f"'{NAMES['second-opinion']}' was not asked for (--second-opinion).")
    return work


def _second_opinion(
    document: MachineDocument, result: CheckResult, work: FurtherWork, tell: Callable[[str], None]
) -> None:
    from stillgate.interlocks.second_opinion import second_opinion

    from .evidence_opinion import opinion_points, opinion_section

    found = second_opinion(document, tick=result.tick, faults=result.faults, explored=result, tell=tell)
    work.sections.append(opinion_section(found))
    work.points += opinion_points(found)
