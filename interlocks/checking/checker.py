"""The check: from a machine file to verdicts, stories, findings and assumptions.

Two questions at most: one without faults, which also judges what is possible and what is
never reached, and one in which a single fault may begin at any moment. How each is searched says
``search_plan``. A verdict is 'holds' only if a search at the scan was exhausted; a cap, a time-out or an
interrupt leaves it 'undecided', and a longer tick leaves it 'not broken', which counts as undecided.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from importlib.metadata import version

from stillgate.controller.effort import DEFAULT_BYTES, Effort
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import FromAnywhere, Machine, Reach, Requirement
from stillgate.controller.reading.reader import MachineDocument

from ..exploration.explorer import Progress
from ..loop.closed_loop import ClosedLoop, close_loop
from ..proofs.prover_share import time_for_searches, with_proofs
from ..requirements.monitors import asks_possibility, fault_budget, is_judged
from ..results.requirement_text import formula_of, names_of, pattern_of, sentence_of
from ..results.ticks import chosen_tick
from ..results.verdict import (
    CheckResult,
    Finding,
    FindingKind,
    RequirementVerdict,
    Word,
)
from .assumptions import assumed_of
from .coverage import warning_findings
from .loop_search import Searched, not_searched
from .overlapping_exits import overlap_findings
from .result_cache import check_key, keep_result, load_result
from .search_plan import By, Told, search_all


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
        tick: period of the exploration in ms, 0 for the scan; default the file's, else the scan. At any
            other period nothing holds: what did not break is ``Word.NOT_BROKEN``, and the check undecided.
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
    on_decided: Told | None = None,
    by: By = By.LEAST,
) -> CheckResult:
    """The check, with its limits as one value; see ``check``.

    Args:
        on_decided: is told verdicts as soon as they are there, where the machine is searched in slices.
        by: what is searched. Where that is chosen, no kept result is used and none is kept.

    Raises:
        ProgramFault: if both ways were asked for and contradict each other.
    """
    machine = document.machine
    told = document.source if document.as_read else document.source + repr(machine).encode()
    use_cache = use_cache and by is By.LEAST
    key = check_key(told, document.path, tick=tick, faults=faults, overlaps=overlaps)
    if use_cache and (kept := load_result(key)) is not None:
        return replace(kept, from_cache=True)
    period = chosen_tick(machine, tick)
    budget = fault_budget(machine, faults)
    loops = _loops(machine, period, budget, effort)
    proofs_too = by is By.LEAST and effort.states is None
    searched = search_all(
        document,
        loops,
        time_for_searches(effort) if proofs_too else effort,
        progress=progress,
        on_slow_build=on_slow_build,
        on_decided=on_decided,
        by=by,
    )
    for number in range(len(loops), budget + 1):
        names = [
            name
            for name, item in machine.requirements.items()
            if is_judged(item, number, possibility=not number)
        ]
        searched.append(not_searched(number, period, names, effort.ended_by))
    if proofs_too:
        proved = with_proofs(
            document,
            [item.judgements for item in searched],
            effort.part(2) if overlaps else effort,
            tick=period,
            spent=sum(item.exploration.all_seconds for item in searched),
        )
        searched = [replace(item, judgements=said) for item, said in zip(searched, proved, strict=True)]
    result = _result(document, period, budget, searched)
    whole = all(item.whole for item in result.exploration) and not any(
        judgement.word is Word.UNDECIDED for item in result.requirements for judgement in item.judgements
    )
    if overlaps and not any(item.exploration.stopped_by == "interrupt" for item in searched):
        found, exhausted = overlap_findings(
            document,
            tick=period,
            effort=effort,
            few=result.exploration[0].exhausted,
            progress=progress,
        )
        result = replace(result, findings=(*result.findings, *found))
        whole = whole and exhausted
    if use_cache and whole:
        keep_result(key, result)
    return result


def _loops(machine: Machine, tick: Milliseconds, budget: int, effort: Effort) -> list[ClosedLoop]:
    """The closed loop of each question, without faults first; once the time is over, no further one."""
    loops: list[ClosedLoop] = []
    while len(loops) <= budget and not effort.over:
        if loops:
            loops.append(close_loop(machine, tick=tick, faults=1, possibility=False))
        else:
            loops.append(close_loop(machine, tick=tick, faults=0, exact=asks_possibility(machine)))
    return loops


# -- result --------------------------------------------------------------------------------------


def _result(
    document: MachineDocument, tick: Milliseconds, budget: int, searched: list[Searched]
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
        assumed=assumed_of(machine, tick, budget),
        exclusions=tuple((item.fault, item.why) for item in machine.check.exclude) if budget else (),
        requirements=tuple(
            _verdict(document, name, item, budget, searched) for name, item in machine.requirements.items()
        ),
        findings=(*warning_findings(document), *unique),
        exploration=tuple(item.exploration for item in searched),
        hazards=tuple(machine.hazards),
    )


def _verdict(
    document: MachineDocument, name: str, requirement: Requirement, budget: int, searched: list[Searched]
) -> RequirementVerdict:
    line, column = document.place(("requirements", name))
    judgements = tuple(
        item.judgements[name].at_scan(document.machine.scan) for item in searched if name in item.judgements
    )
    must = min(required_faults(document.machine, requirement), budget)
    counted = [item.word for item in judgements if item.faults <= must]
    expected = 1 if isinstance(requirement, Reach | FromAnywhere) else must + 1
    if Word.BROKEN in counted:
        word = Word.BROKEN
    elif Word.UNDECIDED in counted or len(counted) < expected:
        word = Word.UNDECIDED
    elif Word.NOT_BROKEN in counted:
        word = Word.NOT_BROKEN
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
        names=names_of(document.machine, requirement),
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
