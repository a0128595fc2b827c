"""Makes certificates: the explorer's states with their ranks, or z3's invariant."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from importlib.metadata import version

from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.errors import CapReached, UsageError
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import FromAnywhere, Machine, Reach
from stillgate.controller.reading.reader import MachineDocument

from ..exploration.explorer import Explorer, Progress
from ..exploration.search import build_checker
from ..loop.closed_loop import ClosedLoop, close_loop
from ..loop.state_layout import packed_fields, unpack
from ..results.verdict import Word
from .certificate_file import INVARIANT, STATES, Certificate

_TOO_LATE = "the time was over before"


def certificate_loop(machine: Machine, tick: Milliseconds, faults: int) -> ClosedLoop:
    """The loop whose states a certificate lists: the one that ``check`` explores."""
    possible = any(isinstance(item, FromAnywhere | Reach) for item in machine.requirements.values())
    return close_loop(
        machine, tick=tick, faults=faults, exact=possible and not faults, possibility=not faults
    )


def states_certificate(
    document: MachineDocument,
    *,
    tick: Milliseconds,
    faults: int,
    effort: Effort,
    progress: Callable[[Progress], None] | None = None,
) -> Certificate:
    """The certificate of all that holds, by listing every state.

    Raises:
        CapReached: if the search was not exhausted, or the time was over before all was listed.
        UsageError: if no requirement holds.
    """
    machine = document.machine
    loop = certificate_loop(machine, tick, faults)
    fields = packed_fields(loop)
    try:
        library = build_checker(loop, effort=effort)
    except OutOfTime:
        raise CapReached(f"no certificate: {_TOO_LATE} the search began") from None
    with Explorer(library, effort) as explorer:
        outcome = explorer.run(progress)
        if outcome.status.words:
            raise CapReached(
                f"no certificate: the search was stopped by {outcome.status.words}"
                f" after {outcome.states} states"
            )
        broken = {
            name for index, name in enumerate(loop.requirement_names) if explorer.record(index) is not None
        }
        states = sorted((unpack(fields, key), key) for key, _ in explorer.states())
        goals = [name for name, _ in loop.monitors.goals if not faults]
        try:
            ranks = _ranks(explorer, [key for _, key in states], goals, machine)
        except OutOfTime:
            raise CapReached(f"no certificate: {_TOO_LATE} the states were ranked") from None
    holding = tuple(name for name in loop.monitors.broken if name not in broken) + tuple(ranks)
    if not holding:
        raise UsageError(
            f"no certificate: no requirement holds {_judged_with(faults)} that a set of states could show"
        )
    return Certificate(
        kind=STATES,
        machine=machine.machine,
        digest=document.digest,
        version=version("stillgate"),
        tick=tick,
        faults=faults,
        requirements=tuple(name for name in machine.requirements if name in holding),
        cells=tuple((item.cell.name, item.cell.low, item.cell.high) for item in fields),
        beliefs={
            item.signal.name: tuple(tuple(sorted(memories)) for memories in item.history.beliefs)
            for item in loop.free
        },
        states=tuple(state for state, _ in states),
        ranks=ranks,
    )


def _judged_with(faults: int) -> str:
    return "of those that are judged with a fault (--faults 0 asks for all)" if faults else "without faults"


def _ranks(
    explorer: Explorer, keys: list[int], goals: list[str], machine: Machine
) -> dict[str, tuple[int, ...]]:
    """Ticks to the goal from each state, for each goal that every state has a way to."""
    wanted = [
        number for number, name in enumerate(goals) if isinstance(machine.requirements[name], FromAnywhere)
    ]
    if not wanted:
        return {}
    place = {key: number for number, key in enumerate(keys)}
    before: list[list[int]] = [[] for _ in keys]
    at_goal: dict[int, list[int]] = {number: [] for number in wanted}
    for number, key in enumerate(keys):
        explorer.effort.look()
        seen: set[int] = set()
        for transition in explorer.successors(key):
            seen.add(place[transition.to])
            for goal in wanted:
                if explorer.breaks + goal in transition.events:
                    at_goal[goal].append(number)
        for following in seen:
            before[following].append(number)
    found: dict[str, tuple[int, ...]] = {}
    for goal in wanted:
        ranks = [0] * len(keys)
        queue = deque(dict.fromkeys(at_goal[goal]))
        for number in queue:
            ranks[number] = 1
        while queue:
            number = queue.popleft()
            for earlier in before[number]:
                if not ranks[earlier]:
                    ranks[earlier] = ranks[number] + 1
                    queue.append(earlier)
        if all(ranks):
            found[goals[goal]] = tuple(ranks)
    return found


def invariant_certificate(
    document: MachineDocument,
    *,
    tick: Milliseconds,
    faults: int,
    effort: Effort,
    tell: Callable[[str], None] | None = None,
) -> Certificate:
    """The certificate of all that z3 proves, by an inductive invariant.

    Raises:
        CapReached: if nothing was proved in time.
        UsageError: if no requirement holds.
        KeyboardInterrupt: if Ctrl-C ended the proofs.
    """
    from ..proofs.prover_run import ProofRun

    requirements = document.machine.requirements
    monitored = [name for name, item in requirements.items() if not isinstance(item, Reach | FromAnywhere)]
    run = ProofRun(document, tick, faults, effort, tell, only=frozenset(monitored))
    found = run.judge()
    if run.interrupted:
        raise KeyboardInterrupt
    proved = run.invariants.get(faults)
    if proved is None or (
        not proved.proves and any(item.verdict is Word.UNDECIDED for item in found.values())
    ):
        raise CapReached("no certificate: z3 proved nothing in the time given")
    if not proved.proves:
        raise UsageError(f"no certificate: z3 found every requirement broken {_judged_with(faults)}")
    names = [cell.name for cell in proved.formula.cells]
    holds = {name for name in proved.proves if not isinstance(document.machine.requirements[name], Reach)}
    return Certificate(
        kind=INVARIANT,
        machine=document.machine.machine,
        digest=document.digest,
        version=version("stillgate"),
        tick=tick,
        faults=faults,
        requirements=tuple(name for name in document.machine.requirements if name in holds),
        cells=tuple((cell.name, cell.low, cell.high) for cell in proved.formula.cells),
        cubes=tuple(
            tuple((names[bound.cell], bound.relation.value, bound.value) for bound in cube)
            for cube in proved.cubes
        ),
    )
