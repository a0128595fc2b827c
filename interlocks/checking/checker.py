"""The check: from a machine file to verdicts, stories, findings and assumptions.

Two questions at most: one without faults, which also judges what is possible and what is
never reached, and one in which a single fault may begin at any moment. Each is put to a search of single
situations; where these are more than ``FIRST_STATES`` to a search over sets of times, which does not
care how long times are; and what that leaves open to single situations again, as far as the caps go. A
verdict is 'holds' only if a search was exhausted; a cap, a time-out or an interrupt leaves it 'undecided'.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path as FilePath

from stillgate.controller.effort import DEFAULT_BYTES, Effort, OutOfTime
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import FromAnywhere, Machine, Reach, Requirement
from stillgate.controller.reading.reader import MachineDocument

from ..exploration.explorer import Progress, Status
from ..exploration.search import Break, Search, checkers_of
from ..loop.closed_loop import ClosedLoop, close_loop
from ..loop.monitors import fault_budget
from ..results.requirement_text import formula_of, pattern_of, sentence_of
from ..results.ticks import chosen_tick
from ..results.verdict import (
    CheckResult,
    Exploration,
    Finding,
    FindingKind,
    Judgement,
    RequirementVerdict,
    SetsCovered,
    Word,
)
from ..symbolic.decide import SetAnswer, decide
from .assumptions import assumptions_of
from .coverage_findings import coverage_findings, warning_findings
from .judgements import (
    bounds_finding,
    deadlock_finding,
    judgement_of,
    kept_possible,
    possibility,
    unbroken,
)
from .overlapping_exits import overlap_findings
from .result_cache import check_key, keep_result, load_result

FIRST_STATES = 4_000_000
"""Situations that are searched one by one before sets of times are tried, where nobody caps them: some
seconds, in which the shortest stories are found too."""


@dataclass(frozen=True, slots=True)
class _Searched:
    """One search and what it says of each requirement."""

    exploration: Exploration
    judgements: dict[str, Judgement]
    findings: tuple[Finding, ...]


def check(
    document: MachineDocument,
    *,
    tick: Milliseconds | None = None,
    faults: int | None = None,
    threads: int | None = None,
    max_states: int | None = None,
    max_bytes: int | None = None,
    time_limit: float | None = None,
    progress: Callable[[Progress], None] | None = None,
    use_cache: bool = True,
    overlaps: bool = False,
    on_slow_build: Callable[[], None] | None = None,
) -> CheckResult:
    """Checks every requirement of a machine in every reachable situation.

    ``check_within`` takes the limits as one value.

    Args:
        tick: period of the exploration in ms, 0 for the scan; default the file's, else the scan.
        faults: fault budget, 0 or 1; default the file's.
        threads: threads of the search; default one a processor.
        max_states: cap on stored states of a search.
        max_bytes: cap on memory of a search; default 6 GiB.
        time_limit: seconds for compilers, searches and stories together.
        progress: called a few times a second while a search runs.
        use_cache: use and keep the result of the very same check.
        overlaps: look for exits of a state that are true in one scan as well, in a search of its own.
        on_slow_build: called before a compiler's slow very first call.

    Raises:
        ToolMissing: if there is no C compiler.
        UsageError: if the machine cannot be explored at the tick.
    """
    return check_within(
        document,
        Effort(threads=threads, states=max_states, bytes=max_bytes or DEFAULT_BYTES).within(time_limit),
        tick=tick,
        faults=faults,
        progress=progress,
        use_cache=use_cache,
        overlaps=overlaps,
        on_slow_build=on_slow_build,
    )


def check_within(
    document: MachineDocument,
    effort: Effort,
    *,
    tick: Milliseconds | None = None,
    faults: int | None = None,
    progress: Callable[[Progress], None] | None = None,
    use_cache: bool = True,
    overlaps: bool = False,
    on_slow_build: Callable[[], None] | None = None,
) -> CheckResult:
    """The check, with its limits as one value; see ``check``."""
    machine = document.machine
    told = document.source if document.as_read else document.source + repr(machine).encode()
    key = check_key(told, document.path, tick=tick, faults=faults, overlaps=overlaps)
    if use_cache and (kept := load_result(key)) is not None:
        return replace(kept, from_cache=True)
    period = chosen_tick(machine, tick)
    budget = fault_budget(machine, faults)
    loops = [close_loop(machine, tick=period, faults=0, exact=_asks_possibility(machine))]
    if budget:
        loops.append(close_loop(machine, tick=period, faults=1, possibility=False))
    searched = _search_all(document, loops, effort, progress, on_slow_build)
    result = _result(document, period, budget, searched)
    whole = all(item.whole for item in result.exploration) and not any(
        judgement.word is Word.UNDECIDED for item in result.requirements for judgement in item.judgements
    )
    if overlaps and not any(item.exploration.stopped_by == "interrupt" for item in searched):
        found, exhausted = overlap_findings(
            document,
            tick=period,
            effort=effort,
            progress=progress,
            on_slow_build=on_slow_build,
        )
        result = replace(result, findings=(*result.findings, *found))
        whole = whole and exhausted
    if use_cache and whole:
        keep_result(key, result)
    return result


def _asks_possibility(machine: Machine) -> bool:
    return any(isinstance(item, Reach | FromAnywhere) for item in machine.requirements.values())


def _search_all(
    document: MachineDocument,
    loops: list[ClosedLoop],
    effort: Effort,
    progress: Callable[[Progress], None] | None,
    on_slow_build: Callable[[], None] | None,
) -> list[_Searched]:
    """Each loop searched; where the time is over or Ctrl-C comes, those that are left as far as nothing."""
    searched: list[_Searched] = []
    try:
        with checkers_of(loops, on_slow_build, effort) as libraries:
            for loop in loops:
                item = _search_loop(document, loop, next(libraries), effort, progress)
                searched.append(item)
                if item.exploration.stopped_by == "interrupt":
                    raise KeyboardInterrupt
    except OutOfTime:
        pass
    except KeyboardInterrupt:  # in a search, or while a checker was built
        effort.stop.set()
    return searched + [_not_searched(loop, effort.ended_by) for loop in loops[len(searched) :]]


def _not_searched(loop: ClosedLoop, stopped_by: str) -> _Searched:
    exploration = Exploration.not_run(loop.budget, loop.tick, stopped_by)
    return _Searched(exploration, {name: unbroken(exploration) for name in loop.monitors.requirements}, ())


def _search_loop(
    document: MachineDocument,
    loop: ClosedLoop,
    library: FilePath,
    effort: Effort,
    progress: Callable[[Progress], None] | None,
) -> _Searched:
    """Single situations first, then sets of times, then single situations for what is left."""
    first = effort if effort.states is not None else replace(effort, states=FIRST_STATES)
    searched = _search_one(document, loop, library, first, progress)
    if first is effort or searched.exploration.stopped_by != Status.STATE_CAP.words or effort.over:
        return searched  # done, or ended by what sets would meet as well
    by_sets = _decide_by_sets(document, loop, searched, effort)
    if effort.over or not any(item.word is Word.UNDECIDED for item in by_sets.judgements.values()):
        return by_sets
    again = _search_one(document, loop, library, effort, progress)
    if again.exploration.exhausted:
        return again
    judgements = {
        name: by_sets.judgements[name] if item.word is Word.UNDECIDED else item
        for name, item in again.judgements.items()
    }
    exploration = replace(again.exploration, sets=by_sets.exploration.sets)
    return _Searched(exploration, judgements, by_sets.findings)


def _decide_by_sets(
    document: MachineDocument, loop: ClosedLoop, searched: _Searched, effort: Effort
) -> _Searched:
    """What a search over sets of times says of what single situations left undecided."""
    machine, tick, faults = loop.machine, loop.tick, loop.budget
    counters = loop.requirement_names[: len(loop.controller.bounds_marks)]
    known = {item.subject for item in searched.findings if item.kind is FindingKind.BOUNDS}
    asked = [name for name, item in searched.judgements.items() if item.word is Word.UNDECIDED]
    try:
        decided = decide(machine, [*asked, *counters], tick=tick, faults=faults, effort=effort)
    except OutOfTime:
        return searched
    judgements = dict(searched.judgements)
    for name in asked:
        requirement = machine.requirements[name]
        if isinstance(requirement, FromAnywhere):
            judgements[name] = kept_possible(decided.ways.get(name), name, requirement, judgements[name])
            continue
        answer = decided.answers.get(name, SetAnswer.UNKNOWN)
        possible = isinstance(requirement, Reach)
        if answer is SetAnswer.NEVER:
            reason = "no reachable situation is like that" if possible else ""
            judgements[name] = Judgement(Word.BROKEN if possible else Word.HOLDS, faults, tick, reason=reason)
        elif answer is SetAnswer.HAPPENS:
            run = decided.runs.get(name)
            depth = None if run is None else len(run.ticks)
            judgements[name] = (
                Judgement(Word.HOLDS, faults, tick, depth)
                if possible
                else judgement_of(searched.exploration, name, requirement, Break(depth or 0, run))
            )
    findings = list(searched.findings)
    for name in counters:
        if name not in known and name in decided.runs:
            run = decided.runs[name]
            findings.append(bounds_finding(document, name, Break(len(run.ticks), run), faults))
    found = decided.exploration
    if not faults and found.exhausted:
        findings += coverage_findings(document, decided.loop, list(decided.covered))
    unsure = [
        name for name in counters if name not in known and decided.answers.get(name) is SetAnswer.UNKNOWN
    ]
    sets = SetsCovered(
        keys=found.keys, sets=found.sets, steps=found.steps, exhausted=found.exhausted and not unsure,
        stopped_by=found.stopped_by, seconds=found.seconds, unsure=tuple(unsure),
    )  # fmt: skip
    return _Searched(replace(searched.exploration, sets=sets), judgements, tuple(findings))


def _search_one(
    document: MachineDocument,
    loop: ClosedLoop,
    library: FilePath,
    effort: Effort,
    progress: Callable[[Progress], None] | None,
) -> _Searched:
    with Search(loop, library, effort) as search:
        exploration = search.run(progress)
        broken = search.breaks()
        judgements: dict[str, Judgement] = {}
        findings: list[Finding] = []
        for name in loop.monitors.requirements:
            requirement = loop.machine.requirements[name]
            if isinstance(requirement, Reach | FromAnywhere):
                judgements[name] = possibility(search, exploration, name, requirement)
            else:
                judgements[name] = judgement_of(exploration, name, requirement, broken.get(name))
        for name in loop.requirement_names[: len(loop.controller.bounds_marks)]:
            if name in broken:
                findings.append(bounds_finding(document, name, broken[name], loop.budget))
        if not loop.budget and exploration.exhausted:
            findings += coverage_findings(document, loop, search.marks())
            findings += deadlock_finding(document, search)
        if search.interrupted:  # perhaps only once every situation was found, on the ways back from them
            exploration = replace(exploration, stopped_by="interrupt")
    return _Searched(exploration, judgements, tuple(findings))


# -- result --------------------------------------------------------------------------------------


def _result(
    document: MachineDocument, tick: Milliseconds, budget: int, searched: list[_Searched]
) -> CheckResult:
    machine = document.machine
    findings = [finding for item in searched for finding in item.findings]
    bounds_told: set[str] = set()
    unique: list[Finding] = []
    for finding in findings:
        if finding.kind is FindingKind.BOUNDS:
            if finding.subject in bounds_told:
                continue
            bounds_told.add(finding.subject)
        unique.append(finding)
    return CheckResult(
        machine=machine.machine,
        digest=document.digest,
        version=version("stillgate"),
        tick=tick,
        scan=machine.scan,
        faults=budget,
        assumptions=assumptions_of(machine, tick, budget),
        exclusions=tuple((item.fault, item.why) for item in machine.check.exclude) if budget else (),
        requirements=tuple(
            _verdict(document, name, item, budget, searched) for name, item in machine.requirements.items()
        ),
        findings=(*warning_findings(document), *unique),
        exploration=tuple(item.exploration for item in searched),
    )


def _verdict(
    document: MachineDocument, name: str, requirement: Requirement, budget: int, searched: list[_Searched]
) -> RequirementVerdict:
    line, column = document.place(("requirements", name))
    judgements = tuple(item.judgements[name] for item in searched if name in item.judgements)
    must = min(required_faults(document.machine, requirement), budget)
    counted = [item.word for item in judgements if item.faults <= must]
    expected = 1 if isinstance(requirement, Reach | FromAnywhere) else must + 1
    if Word.BROKEN in counted:
        word = Word.BROKEN
    elif Word.UNDECIDED in counted or len(counted) < expected:
        word = Word.UNDECIDED
    else:
        word = Word.HOLDS
    held = [item.faults for item in judgements if item.word is Word.HOLDS]
    return RequirementVerdict(
        name=name,
        pattern=pattern_of(requirement),
        text=sentence_of(requirement),
        formula=formula_of(requirement),
        hazard=requirement.hazard,
        faults=must,
        judgements=judgements,
        verdict=word,
        withstands=max(held, default=None),
        line=line,
        column=column,
        why=requirement.why,
    )


def required_faults(machine: Machine, requirement: Requirement) -> int:
    """How many faults a requirement must withstand.

    What the file says; otherwise the check's budget where a hazard is named, and none where
    not. Possibility is judged without faults.
    """
    if isinstance(requirement, Reach | FromAnywhere):
        return 0
    if requirement.faults is not None:
        return requirement.faults
    return machine.check.faults if requirement.hazard else 0
