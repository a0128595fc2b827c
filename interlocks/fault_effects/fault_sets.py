"""What each single fault leads to, found over sets of times, where single situations are too many.

Three searches tell faults apart in their keys, so each asks of all faults at once:

* the machine with its requirements: what breaks under which fault, and whether an output's fault ever begins;
* the controller beside its twin (``output_equivalence``): what a fault of an input changes first;
* the machine alone, a fault beginning in any tick (``work_under_fault``): whether it still works.

What no set reports does not happen. What a set reports counts only once a run has shown it; that the
machine may work for ever is shown by a run that comes again to where it was (``endless_runs``). Where no such
run is found, a fourth search counts the ticks since the fault began: the largest count at which a set
still works bounds the time until the machine stands.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.expressions.expression import Operator
from stillgate.controller.machine_file.field_types import Milliseconds, Ticks
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.program import Complement, Constant, If, Note, NoteKind, Operation, Ref
from stillgate.sim_io.faults.fault_list import Fault, faults_of

from ..loop.closed_loop import ClosedLoop, close_loop
from ..loop.counterexample import Path
from ..results.verdict import SetsCovered
from ..symbolic.fault_graph import FaultSearch, UnderFaultSets
from ..symbolic.known_runs import NamedRun, runs_to_goals
from ..symbolic.lowering_for_sets import made_for_sets
from ..symbolic.set_answers import SetAnswer
from ..symbolic.step.emit_step import under
from .asked_by_fault import AskedByFault, Switches
from .endless_runs import may_work_on
from .fault_facts import CUT_SHORT, NO_END, NO_RUN, UNKNOWN, FaultFacts, FirstDifference, FoundBreak
from .fault_stories import story_of
from .work_under_fault import EVENTS, MACHINE_WORKS, work_loop

TAKES_EFFECT = "a fault has begun"
"""Asked of each fault; no memory or requirement of a user has such a name."""

_SEARCHES = 4


@dataclass(frozen=True)
class FaultSets:
    """What the first search covered, and what sets say of each fault, by its name.

    Nothing is said of any where the time was over before that search.
    """

    covered: SetsCovered | None
    facts: dict[str, FaultFacts]


@dataclass(frozen=True)
class _Work:
    """Whether the machine works on under a fault."""

    ends: bool | None = None
    longest: Ticks = 0
    restless: bool = True
    why: str = CUT_SHORT


def faults_by_sets(
    machine: Machine,
    *,
    tick: Milliseconds,
    effort: Effort,
    differences: Callable[[Effort], dict[str, FirstDifference]],
) -> FaultSets:
    """What sets of times say of every fault of a machine.

    Args:
        effort: of all searches together.
        differences: what faults of inputs change first, found over sets within an effort.

    Raises:
        ToolMissing: if there is no C compiler.
    """
    found, firsts, work = FaultSets(None, {}), dict[str, FirstDifference](), dict[str, _Work]()
    with _as_far_as_time_goes(effort):
        effort.look()
        found = _breaks(machine, tick, effort.part(_SEARCHES))
    if machine.inputs and machine.outputs:
        with _as_far_as_time_goes(effort):
            effort.look()
            firsts = differences(effort.part(_SEARCHES - 1))
    with _as_far_as_time_goes(effort):
        effort.look()
        work = _work(machine, tick, effort)
    return FaultSets(
        found.covered,
        {
            name: _with(facts, work.get(name, _Work()), firsts.get(name, UNKNOWN))
            for name, facts in found.facts.items()
        },
    )


@contextmanager
def _as_far_as_time_goes(effort: Effort) -> Iterator[None]:
    """What is begun is left as it is at the deadline, and at Ctrl-C for good."""
    try:
        yield
    except OutOfTime:
        pass
    except KeyboardInterrupt:
        effort.stop.set()


def _with(facts: FaultFacts, work: _Work, first: FirstDifference) -> FaultFacts:
    return replace(
        facts,
        ends=work.ends,
        why_no_end=work.why,
        longest=work.longest,
        at_most=work.longest > 0,  # at most nothing is nothing
        restless=work.restless,
        first=first,
    )


# -- what breaks -----------------------------------------------------------------------------------


def _breaks(machine: Machine, tick: Milliseconds, effort: Effort) -> FaultSets:
    """What breaks under each fault, and whether it ever takes effect; the rest is not known yet."""

    def make(eager: Collection[str]) -> ClosedLoop:
        return _noting_faults(close_loop(machine, tick=tick, faults=1, possibility=False, eager=eager))

    loop = made_for_sets(make)
    judged = [name for name in loop.monitors.broken if name in machine.requirements]
    places = {under(event, fault.name): fault for fault in loop.faults for event in (*judged, TAKES_EFFECT)}

    def seeds(part: Effort) -> list[NamedRun]:
        return runs_to_goals(machine, tick=tick, effort=part)

    found = AskedByFault(loop, places, told=True, seeds=seeds).ask(effort)
    covered = found.exploration

    def facts(fault: Fault) -> FaultFacts:
        events = {name: under(name, fault.name) for name in judged}
        stories = {
            name: story_of(loop, name, fault, found.runs[event])
            for name, event in events.items()
            if event in found.runs
        }
        return FaultFacts(
            breaks={
                name: FoundBreak(found.ticks[event], stories.get(name))
                for name, event in events.items()
                if found.answers[event] is SetAnswer.HAPPENS
            },
            unsure=tuple(name for name, event in events.items() if found.answers[event] is SetAnswer.UNKNOWN),
            why_unsure=NO_RUN if covered.exhausted else CUT_SHORT,
            begins=found.answers[under(TAKES_EFFECT, fault.name)].happens,
            ends=None,
            why_no_end=CUT_SHORT,
            longest=0,
            at_most=False,
            restless=True,
            situations=None,
            first=UNKNOWN,
        )

    return FaultSets(covered.covered(), {fault.name: facts(fault) for fault in loop.faults})


def _noting_faults(loop: ClosedLoop) -> ClosedLoop:
    """The loop that tells as an event that a fault has begun."""
    number = loop.monitors.first_index + len(loop.monitors.broken)
    begun = Complement(Operation(Operator.EQ, Ref(loop.fault), Constant(0)))
    monitors = replace(loop.monitors, broken=(*loop.monitors.broken, TAKES_EFFECT))
    after = (*loop.after, If(begun, (Note(NoteKind.BROKEN, number),)))
    return replace(loop, monitors=monitors, after=after)


# -- how long it works --------------------------------------------------------------------------------


def _work(machine: Machine, tick: Milliseconds, effort: Effort) -> dict[str, _Work]:
    """Whether the machine works on, by fault.

    Raises:
        OutOfTime: if the effort was over before the first search began.
    """
    names = [item.name for item in faults_of(machine)]
    asked = work_loop(machine, names, tick=tick, times=False)
    events = {under(event, fault.name): fault for fault in asked.loop.faults for event in EVENTS}
    half, on = effort.part(2), set[str]()

    def met(event: str, path: Path, switches: Switches) -> None:
        fault = events[event]
        with suppress(OutOfTime):
            if may_work_on(by_fault.loop, path, fault.number, asked.phase, switches=switches, effort=half):
                on.add(fault.name)

    circles: list[UnderFaultSets] | None = None

    def then(search: FaultSearch) -> None:
        nonlocal circles
        circles = search.faults_lead_to(asked.phase)

    by_fault = AskedByFault(asked.loop, events, met=met, wanted=lambda name: events[name].name not in on)
    found = by_fault.ask(half, then)
    exhausted = found.exploration.exhausted
    work: dict[str, _Work] = {}
    for fault in asked.loop.faults:
        restless = not exhausted or circles is None or circles[fault.number].restless
        never = found.answers[under(MACHINE_WORKS, fault.name)] is SetAnswer.NEVER
        ends = True if never else False if fault.name in on else None
        work[fault.name] = _Work(ends, 0, restless, NO_END if exhausted else CUT_SHORT)
    left = [name for name, item in work.items() if item.ends is None]
    with suppress(OutOfTime):
        for name, ticks in _longest(machine, left, tick, effort).items():
            work[name] = replace(work[name], ends=True, longest=ticks)
    return work


def _longest(machine: Machine, names: Iterable[str], tick: Milliseconds, effort: Effort) -> dict[str, Ticks]:
    """The most ticks for which the machine works under faults, where that is bounded."""
    names = list(names)
    if not names:
        return {}
    asked = work_loop(machine, names, tick=tick, times=True)
    with FaultSearch(asked.loop, effort=effort) as search:
        bounds = search.faults_lead_to(asked.phase, asked.since) if search.run().exhausted else None
    longest: dict[str, Ticks] = {}
    for fault in asked.loop.faults:
        ticks = None if bounds is None else bounds[fault.number].longest
        if ticks is not None:
            longest[fault.name] = ticks
    return longest
