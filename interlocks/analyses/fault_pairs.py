"""Pairs of faults: which two break a requirement that neither breaks alone.

Both faults may begin at any tick, in either order or together, and stay (power comes back). The loop is
closed with a budget of two, each fault behind a switch, so one compiled checker searches pair by pair:
every reachable situation with none, one or both of the two, one by one or in sets of times where those are
too many. A pair gets a row only if it does worse than either of its faults: it breaks a requirement that the
fault table has neither of them break, and that does not break without a fault, which the fault table does
not tell. What a pair does besides (stop, stay unnoticed) is not told.

Two faults of one signal are no pair: it cannot be stuck on and off at once.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from stillgate.controller.effort import Effort, in_parallel
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.sim_io.faults.fault_list import Fault

from ..checking.staged_checker import StagedChecker
from ..exploration.parametric_checker import Answer, ParametricChecker, allowance, with_allowances
from ..loop.closed_loop import ClosedLoop, close_loop
from ..loop.counterexample import tell
from ..results.fault_table_rows import FaultBreak, FaultOutcome, FaultRow
from ..results.requirement_text import sentence_of


@dataclass(frozen=True, slots=True)
class Pairs:
    """Pairs that do worse than either fault, those of the shortest way first.

    ``undecided`` are pairs whose search was cut short without a break, or never begun.
    """

    rows: tuple[FaultRow, ...]
    searched: int
    undecided: int
    text: str


def fault_pairs_of(
    machine: Machine,
    singles: Sequence[FaultRow],
    *,
    tick: Milliseconds,
    effort: Effort,
    few: bool = True,
    progress: Callable[[int, int], None] | None = None,
    on_slow_build: Callable[[], None] | None = None,
) -> Pairs:
    """Every pair of the faults of a fault table.

    Args:
        singles: the rows of the single faults, which say what each breaks alone.
        effort: of all searches together; a search a thread runs at once.
        few: whether single faults were searched in single situations; if not, sets of times are asked for
            what these do not end soon.
        progress: called with how many pairs are judged and how many there are.
        on_slow_build: called before a compiler's slow very first call.

    Raises:
        ToolMissing: if there is no C compiler.
        OutOfTime: if the effort was over before the checker was built.
    """
    each = effort.share(effort.lines)
    loop = with_allowances(close_loop(machine, tick=tick, faults=2, possibility=False))
    alone = {row.fault: {item.requirement for item in row.breaks} for row in singles}
    judged = [(n, name) for n, name in enumerate(loop.requirement_names) if name in machine.requirements]
    pairs = [pair for pair in combinations(loop.faults, 2) if pair[0].subject != pair[1].subject]

    kind = ParametricChecker if few else StagedChecker
    with kind(loop, effort=effort, on_slow_build=on_slow_build) as checker:

        def judge(pair: tuple[Fault, Fault]) -> FaultRow | None:
            """The pair's row, None if it does no worse."""
            row = _row(pair)
            if effort.over:
                return row
            known = alone[pair[0].name] | alone[pair[1].name] | without
            events = [number for number, name in judged if name not in known]
            answer = checker.ask(
                [allowance(item.number) for item in pair],
                note=events,
                runs=True,
                effort=each,
            )
            return _judged(loop, row, answer)

        noted = checker.ask((), note=[number for number, _ in judged], effort=each).noted
        without = {name for number, name in judged if number in noted}
        rows: list[FaultRow] = []
        for count, row in enumerate(in_parallel(judge, pairs, effort), 1):
            if row is not None:
                rows.append(row)
            if progress is not None:
                progress(count, len(pairs))
    broken = [row for row in rows if row.breaks]
    undecided = len(rows) - len(broken)
    told = tuple(sorted(broken, key=lambda row: (row.breaks[0].depth, row.fault)))
    return Pairs(told, len(pairs) - undecided, undecided, _text(len(told), len(pairs), undecided))


def _row(pair: tuple[Fault, Fault]) -> FaultRow:
    return FaultRow(
        fault=" and ".join(item.name for item in pair),
        kind=" and ".join(item.kind.value for item in pair),
        subject=" and ".join(item.subject for item in pair if item.subject),
        outcome=FaultOutcome.UNDECIDED,
        text="the search was cut short, so this is not known",
    )


def _judged(loop: ClosedLoop, row: FaultRow, answer: Answer) -> FaultRow | None:
    breaks: list[FaultBreak] = []
    for event, found in answer.runs:
        name = loop.requirement_names[event]
        requirement = loop.machine.requirements[name]
        at = format_duration((found.ticks - 1) * loop.tick)
        said = (
            f"{name} is broken {at} after power-on, with two faults: {row.fault} ({sentence_of(requirement)})"
        )
        story = None if found.run is None else tell(found.run, said)
        breaks.append(FaultBreak(name, requirement.hazard, False, found.ticks, story))
    if not breaks:
        return None if answer.complete else row
    breaks.sort(key=lambda item: (item.depth, item.requirement))
    times = [format_duration((item.depth - 1) * loop.tick) for item in breaks]
    parts = [f"{item.requirement} ({at} after power-on)" for item, at in zip(breaks, times, strict=True)]
    more = "" if answer.complete else "; the search was cut short, there may be more"
    return replace(
        row,
        outcome=FaultOutcome.BREAKS,
        text=f"together they break {', '.join(parts)}{more}",
        breaks=tuple(breaks),
        situations=0 if answer.outcome is None else answer.outcome.states,
    )


def _text(broken: int, count: int, undecided: int) -> str:
    said = (
        f"{count - undecided} of {count} pairs were searched in every reachable situation; "
        f"{broken} {'breaks' if broken == 1 else 'break'} a requirement that neither of its faults breaks "
        "alone."
    )
    if undecided:
        said += f" {undecided} pairs are undecided: their search was cut short or never begun."
    return said + (
        " Each fault begins at any time, in either order or both at once. No requirement must withstand two "
        "faults, so such a break is no verdict: it says which fault must be found before a second one "
        "comes. What else a pair does is not told."
    )
