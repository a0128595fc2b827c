"""The fault table: for each single fault, what the machine then does in all reachable situations.

The first that fits:

breaks a requirement
    Some run in which the fault has begun breaks it. The shortest is told.
changes no output
    No run differs in any output from what it would be without the fault (``output_equivalence``). Such a
    fault is hidden: a second fault meets the machine without whatever the first took.
stops by itself
    Whatever operator and parts do, no output with a hazard is on any more from some moment on, the
    faulty output aside, nor can be turned on again. The longest time from the fault's beginning to
    that moment is told (``fault_scc.h``), from any moment at which it may have begun (``fault_times``).
stops while it lasts
    Power is out: nothing is driven. After its return the machine may work again, so it does not stay
    stopped; what must not happen then is for the requirements to say.
not stopped
    None of these: the machine may work on for ever. What is known is told apart: that it stops as soon as
    the fault shows, that it cannot stop and start again for ever, which outputs stay off and which other
    inputs still do what the stuck one would (``lost_functions``), and whether the first difference can be an
    output with a hazard that is on (``fault_rows``).

Single situations are searched where they are few; else sets of times (``fault_sets``), which give no count of
situations, no shortest stories, and of the longest time a bound. What they leave open is undecided.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.errors import UsageError
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.reading.reader import MachineDocument
from stillgate.sim_io.faults.fault_list import faults_of

from ..checking import search_plan
from ..checking.assumptions import assumptions_of
from ..checking.situation_count import few_situations
from ..exploration.explorer import Progress, Status
from ..exploration.explorer import SearchOutcome as Searched
from ..exploration.fault_search import (
    FaultExplorer,
    UnderFault,
    build_fault_checker,
    hazardous_outputs,
    with_work_goal,
)
from ..fault_effects.fault_facts import UNKNOWN, UNSEEN_CUT_SHORT, FaultFacts, FirstDifference, FoundBreak
from ..fault_effects.fault_sets import faults_by_sets
from ..fault_effects.fault_stories import story_of
from ..fault_effects.lost_functions import NOTHING, losses_by_fault
from ..loop.closed_loop import ClosedLoop, close_loop
from ..loop.state_layout import key_bits, packed_fields
from ..results.fault_table_rows import FaultTable
from ..results.ticks import chosen_tick
from ..results.verdict import Exploration, Story, tick_caution
from .diagnostic_coverage import GIVEN_RATES, NO_RATES, coverage_of
from .fault_pairs import Pairs, fault_pairs_of
from .fault_rows import row_of
from .fault_times import from_any_moment
from .output_equivalence import first_differences, first_differences_by_sets

BY_SETS = (
    "Single situations are too many, so sets of times were searched. What happens was shown by a run, which "
    "need not be a shortest one; what does not happen is in no set. A time within which the machine stops at "
    "most is never exceeded, and may be longer than what it really takes. That a later start fails is said "
    "only where it was found out."
)


def fault_table_of(
    document: MachineDocument,
    *,
    tick: Milliseconds | None = None,
    rates: Mapping[str, float] | None = None,
    pairs: bool = False,
    effort: Effort | None = None,
    progress: Callable[[Progress], None] | None = None,
    pairs_progress: Callable[[int, int], None] | None = None,
    on_slow_build: Callable[[], None] | None = None,
) -> FaultTable:
    """The fault table of a machine, one row a single fault that is not excluded.

    Args:
        tick: period of the exploration in ms; default the file's, else the scan.
        rates: of the failures that are declared dangerous, by the fault's name, in any one unit: without
            them no diagnostic coverage is told.
        pairs: look at every pair of faults too, in what is left of the time.
        effort: of everything together; where it is over, rows are undecided.
        progress: called a few times a second while the search runs.
        pairs_progress: called with how many pairs are judged and how many there are.
        on_slow_build: called before a compiler's slow very first call.

    Raises:
        ToolMissing: if there is no C compiler.
        UsageError: if every fault is excluded.
    """
    began = time.monotonic()
    machine = document.machine
    period = chosen_tick(machine, tick)
    given = effort or Effort()
    if not faults_of(machine):
        raise UsageError("every fault of this machine is excluded, so there is nothing to tabulate")
    loop = with_work_goal(close_loop(machine, tick=period, faults=1, possibility=False))
    exploration, facts = _facts(loop, given, progress, on_slow_build)
    lost = losses_by_fault(machine)
    rows = tuple(
        row_of(loop, fault, facts.get(fault.name), lost.get(fault.name, NOTHING)) for fault in loop.faults
    )
    two = Pairs((), 0, 0, "")
    if pairs and exploration.whole:
        try:
            two = fault_pairs_of(
                machine,
                rows,
                tick=period,
                effort=given,
                few=exploration.exhausted,
                progress=pairs_progress,
                on_slow_build=on_slow_build,
            )
        except OutOfTime:
            two = Pairs((), 0, 1, "Undecided: the time was over before a pair was looked at.")
    elif pairs:
        why = "the search under single faults was cut short, so no pair was looked at"
        two = Pairs((), 0, 1, f"Undecided: {why}.")
    return FaultTable(
        machine=machine.machine,
        rows=rows,
        coverage=coverage_of(rows, rates or {}),
        assumptions=(
            *_definitions(document, rates),
            *([] if exploration.sets is None else [BY_SETS]),
            *_assumed(assumptions_of(machine, period, 1), pairs),
        ),
        exclusions=tuple((item.fault, item.why) for item in machine.check.exclude),
        exploration=exploration,
        seconds=time.monotonic() - began,
        pairs=two.rows,
        pairs_text=two.text,
        pairs_undecided=two.undecided,
        tick_caution=tick_caution(period, machine.scan),
    )


def _facts(
    loop: ClosedLoop,
    effort: Effort,
    progress: Callable[[Progress], None] | None,
    on_slow_build: Callable[[], None] | None,
) -> tuple[Exploration, dict[str, FaultFacts]]:
    """What was covered, and what is known of each fault, by its name."""
    if effort.states is None and not few_situations(loop.machine, loop.tick, effort, progress, on_slow_build):
        exploration = Exploration.not_run(1, loop.tick, effort.ended_by or Status.STATE_CAP.words)
    else:
        exploration, facts = _one_by_one(loop, effort, progress, on_slow_build)
        if effort.states is not None or exploration.stopped_by != Status.STATE_CAP.words:
            return exploration, facts
    if effort.over:
        return exploration, {}
    machine, tick = loop.machine, loop.tick
    sets = faults_by_sets(
        machine,
        tick=tick,
        effort=effort,
        differences=lambda given: first_differences_by_sets(machine, tick=tick, effort=given),
    )
    ended = "interrupt" if effort.stop.is_set() else exploration.stopped_by
    return replace(exploration, sets=sets.covered, stopped_by=ended), sets.facts


def _one_by_one(
    loop: ClosedLoop,
    effort: Effort,
    progress: Callable[[Progress], None] | None,
    on_slow_build: Callable[[], None] | None,
) -> tuple[Exploration, dict[str, FaultFacts]]:
    """What a search of single situations covered and, if it was exhausted, what it says of each fault."""
    states = search_plan.MANY if effort.states is None else effort.states
    exploration, found, stories = _search(loop, replace(effort, states=states), progress, on_slow_build)
    if found is None:
        return exploration, {}
    seen, found = found, from_any_moment(loop, found, effort, on_slow_build)
    machine = loop.machine
    differences: dict[str, FirstDifference] = {}
    if machine.inputs and machine.outputs:
        with suppress(OutOfTime):
            differences = first_differences(machine, tick=loop.tick, effort=effort)

    def facts(number: int, item: UnderFault, name: str) -> FaultFacts:
        breaks = {
            loop.requirement_names[event]: FoundBreak(record.depth, stories.get((number, event)))
            for event, record in item.breaks.items()
            if loop.requirement_names[event] in machine.requirements  # else the bounds of a counter
        }
        return FaultFacts(
            breaks=breaks,
            unsure=(),
            why_unsure="",
            begins=item.situations > 0,
            ends=item.ends,
            why_no_end=UNSEEN_CUT_SHORT,
            longest=item.longest,
            at_most=False,
            restless=item.restless,
            situations=item.situations,
            first=differences.get(name, UNKNOWN),
            once_shown=seen[number].longest if seen[number].ends and item.ends is False else None,
        )

    return exploration, {item.name: facts(item.number, found[item.number], item.name) for item in loop.faults}


def _search(
    loop: ClosedLoop,
    effort: Effort,
    progress: Callable[[Progress], None] | None,
    on_slow_build: Callable[[], None] | None,
) -> tuple[Exploration, dict[int, UnderFault] | None, dict[tuple[int, int], Story]]:
    """What the search covered; what it says of each fault, if exhausted; the stories it had time for."""
    try:
        library = build_fault_checker(loop, on_slow_build, effort)
    except (OutOfTime, KeyboardInterrupt):
        return Exploration.not_run(1, loop.tick, effort.ended_by), None, {}
    with FaultExplorer(loop, library, effort) as explorer:
        exploration = _exploration(loop, explorer.run(progress))
        found = explorer.by_fault() if exploration.exhausted else None
        stories: dict[tuple[int, int], Story] = {}
        with suppress(OutOfTime):
            stories = {} if found is None else _stories(loop, explorer, found)
        if explorer.interrupted:
            exploration = replace(exploration, stopped_by=Status.INTERRUPT.words)
    return exploration, found, stories


def _exploration(loop: ClosedLoop, outcome: Searched) -> Exploration:
    return Exploration(
        faults=1,
        tick=loop.tick,
        exhausted=outcome.status is Status.COMPLETE,
        stopped_by=outcome.status.words,
        states=outcome.states,
        transitions=outcome.transitions,
        depth=outcome.levels,
        seconds=outcome.seconds,
        key_bits=key_bits(packed_fields(loop)),
        bytes_per_state=outcome.bytes_per_state,
        threads=outcome.threads,
        initial_states=outcome.initial_states,
    )


def _stories(
    loop: ClosedLoop, explorer: FaultExplorer, found: dict[int, UnderFault]
) -> dict[tuple[int, int], Story]:
    """The shortest story of each break, by fault and index of the broken requirement."""
    places = [(number, event) for number, item in found.items() for event in item.breaks]
    runs = explorer.replays([(event, found[number].breaks[event]) for number, event in places])
    faults = {item.number: item for item in loop.faults}
    return {
        (number, event): story_of(loop, loop.requirement_names[event], faults[number], run)
        for (number, event), run in zip(places, runs, strict=True)
    }


def _assumed(assumptions: tuple[str, ...], pairs: bool) -> tuple[str, ...]:
    """With pairs looked at, it takes three faults to be left out."""
    several = "several faults at once"
    return (
        tuple(item.replace(several, "three faults or more at once") for item in assumptions)
        if pairs
        else assumptions
    )


def _definitions(document: MachineDocument, rates: Mapping[str, float] | None) -> tuple[str, ...]:
    machine = document.machine
    named = any(item.hazard is not None for item in machine.outputs.values())
    what = (
        f"An output with a hazard is one of: {', '.join(hazardous_outputs(machine))}."
        if named
        else "No output names a hazard, so every output counts as one with a hazard."
    )
    return (
        what,
        "Not stopped is short for not stopped by the controller: the machine may work on for ever.",
        "Times until the machine has stopped count from the scan in which the fault begins, also where it "
        "shows only later; a fault that comes between two scans is there up to one scan longer.",
        "What stays off, does not start again or is still done by another contact is what one level alone "
        "does in one scan, whatever else is so. Where nothing of the kind is named, nothing is said. Two "
        "contacts are channels of one device if one part closes both under one condition or, where no part "
        "moves them, if their names differ in the number at their end only.",
        GIVEN_RATES if rates else NO_RATES,
    )
