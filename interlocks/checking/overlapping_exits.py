"""Two exits of a state true in one scan: which, and how it comes about.

The order in the file decides then, so nothing is broken; but IEC 60848 asks the conditions
of a selection to exclude each other, and an order nobody thought about is a likely mistake.
A search of its own, without faults and without requirements: reading every later guard of a
state wherever an earlier one is true asks for far more of the inputs than the controller does. Where
single situations are too many, sets of times are asked.
"""

from __future__ import annotations

from collections.abc import Callable

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.program.controller_program import ControllerProgram, ExitProgram, SequenceProgram
from stillgate.controller.reading.reader import MachineDocument

from ..exploration.explorer import Progress
from ..loop.closed_loop import close_loop
from ..loop.counterexample import tell
from ..results.verdict import Exploration, Finding, FindingKind
from .staged_search import WhatBroke, what_breaks


def overlap_findings(
    document: MachineDocument,
    *,
    tick: Milliseconds,
    effort: Effort,
    few: bool,
    progress: Callable[[Progress], None] | None = None,
) -> tuple[list[Finding], bool]:
    """Every two exits of a state that are true at once in a reachable situation without faults.

    Args:
        few: whether the check found few situations (``what_breaks``).

    Returns:
        The findings, and whether the search was exhausted; if not, more may overlap.
    """
    bare = document.machine.model_copy(update={"requirements": {}})
    loop = close_loop(bare, tick=tick, faults=0, possibility=False, overlaps=True)
    program = loop.controller
    if not program.overlap_marks:
        return [], True
    first = len(program.bounds_marks)
    names = loop.requirement_names[first : first + len(program.overlap_marks)]
    try:
        searched = what_breaks(loop, names, effort, few=few, progress=progress)
    except (OutOfTime, KeyboardInterrupt):  # while a checker was built
        searched = WhatBroke(Exploration.not_run(0, tick, effort.ended_by), {}, frozenset(names))
    found: list[Finding] = []
    for name, pair in zip(names, program.overlap_marks, strict=True):
        if name in searched.breaks:
            finding = _finding(document, program, pair)
            run = searched.breaks[name].run
            found.append(Finding(*finding, None if run is None else tell(run, finding[2])))
    if searched.open:
        exploration = searched.exploration
        line, column = document.place(("sequences",))
        text = (
            f"the search for exits that are true at once was stopped by {exploration.stopped_by} after "
            f"{exploration.states} situations; more of them may be"
        )
        found.append(Finding(FindingKind.WARNING, "", text, line, column))
    return found, not searched.open


def _finding(
    document: MachineDocument, program: ControllerProgram, pair: tuple[int, int]
) -> tuple[FindingKind, str, str, int, int]:
    sequence, state, first, second = _place(program, pair)
    items = sequence.exits[state]
    name = sequence.states[state]
    where = f"{sequence.name}.{name}"
    line, column = document.place(("sequences", sequence.name, "states", name, "exits", second))
    text = (
        f"in {where} exit {first + 1} (to {_target(sequence, items[first])}) and exit {second + 1} "
        f"(to {_target(sequence, items[second])}) are true in the same scan; exit {first + 1} is taken, "
        "because it stands first"
    )
    return FindingKind.OVERLAP, where, text, line, column


def _place(program: ControllerProgram, pair: tuple[int, int]) -> tuple[SequenceProgram, int, int, int]:
    for sequence in program.sequences:
        for state, items in enumerate(sequence.exits):
            marks = [item.mark for item in items]
            if pair[0] in marks:
                return sequence, state, marks.index(pair[0]), marks.index(pair[1])
    raise AssertionError("a pair of exits belongs to a state")


def _target(sequence: SequenceProgram, item: ExitProgram) -> str:
    return sequence.states[item.target]
