"""Soak: many hours of simulated operation at the real scan, every requirement monitored.

The hours are shifts, each from power-on with a seed of its own and one of the operators. They
run in C on all processors; results are taken in the order of the shifts, so the first
violation is the same for any number of threads. It is run again with a trace, cut down to few
events, and confirmed in the Python simulation before anything is said about it.

A soak is a sample and not a proof: 'no violation met' is all that it can say.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import islice

from stillgate.controller.errors import ProgramFault
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.program import Cell
from stillgate.controller.reading.reader import MachineDocument
from stillgate.sim_io.faults.disturbances import Disturbance
from stillgate.sim_io.scenarios.scenario import Scenario
from stillgate.sim_io.simulation.batch import BatchSimulation, Setting, Shifts, shift_seed
from stillgate.sim_io.simulation.operators import OperatorKind

from .delta_debugging import Change, ShorterRun, cut_down
from .run_to_scenario import scenario_of
from .scenario_run import ScenarioResult, run_scenario
from .soak_monitors import judged_batch

SHIFT: Milliseconds = 600_000
"""Length of a shift: long enough for timers and counters, short enough to be run again."""

CHUNK_SCANS = 1_500_000
"""Scans that a thread runs at a time; some tenths of a second."""


@dataclass(frozen=True)
class Violation:
    """The first requirement that was broken.

    Attributes:
        requirement: its name; a counter that left its bounds is named so.
        shift: number of the shift, from 0; ``seed`` and ``operator`` are that shift's.
        time: time of the break in that shift.
        changes: how many changes of inputs came before it.
        scenario: the run cut down; ``result`` is what the Python simulation made of it.
    """

    requirement: str
    shift: int
    seed: int
    operator: OperatorKind
    time: Milliseconds
    changes: int
    scenario: Scenario
    result: ScenarioResult = field(repr=False)

    @property
    def broken_at(self) -> Milliseconds:
        """Time of the break in the scenario."""
        return next(item.time for item in self.result.broken if item.requirement == self.requirement)


@dataclass(frozen=True)
class SoakResult:
    """What a soak came to.

    Attributes:
        simulated: machine time that was run.
        asked: machine time that was asked for.
        seconds: time it took, building and cutting down left out.
        exits: how often each exit was taken, by its name.
        stopped: whether it was interrupted.
    """

    machine: Machine
    seed: int
    asked: Milliseconds
    simulated: Milliseconds
    seconds: float
    jobs: int
    shift: Milliseconds
    operators: tuple[OperatorKind, ...]
    disturbances: tuple[Disturbance, ...]
    mishaps: tuple[Disturbance, ...]
    watched: tuple[str, ...]
    exits: tuple[tuple[str, int], ...]
    violation: Violation | None
    stopped: bool = False

    @property
    def rate(self) -> float:
        """Machine-hours a second."""
        return self.simulated / 3.6e6 / self.seconds if self.seconds else 0.0

    @property
    def never_taken(self) -> tuple[str, ...]:
        """Exits that no shift took."""
        return tuple(name for name, number in self.exits if not number)


@dataclass(frozen=True, slots=True)
class SoakProgress:
    """How far a soak is."""

    simulated: Milliseconds
    asked: Milliseconds
    seconds: float


def soak(
    document: MachineDocument,
    *,
    duration: Milliseconds,
    seed: int = 0,
    operators: Sequence[OperatorKind] = tuple(OperatorKind),
    disturbances: Sequence[Disturbance] = (),
    mishaps: Sequence[Disturbance] = (),
    requirements: Sequence[str] | None = None,
    shift: Milliseconds = SHIFT,
    jobs: int | None = None,
    machine_path: str = "",
    progress: Callable[[SoakProgress], None] | None = None,
    on_cutting: Callable[[], None] | None = None,
) -> SoakResult:
    """Runs a machine for many hours.

    Args:
        document: the machine.
        duration: machine time, rounded up to whole shifts.
        seed: of everything.
        operators: who operates, one after another, a shift each.
        disturbances: there from the start of every shift.
        mishaps: one of these begins at some time of every shift.
        requirements: names of those to watch; None for all that one run can break.
        shift: length of a shift.
        jobs: threads; None for one a processor.
        machine_path: how a scenario names the machine file.
        progress: called from time to time.
        on_cutting: called when a violation is going to be cut down.

    Raises:
        ToolMissing: if there is no C compiler.
        ProgramFault: if the Python simulation does not confirm a violation.
    """
    machine = document.machine
    batch = judged_batch(machine, disturbances, requirements, mishaps)
    batch.prepare()
    scans = max(1, -(-shift // machine.scan))
    shifts = max(1, -(-duration // (scans * machine.scan)))
    plan = _Plan(batch, shifts, scans, seed, tuple(operators))
    workers = jobs or os.cpu_count() or 1
    started = time.perf_counter()
    taken = [0] * len(batch.source.controller.exit_marks)
    done, found, stopped = 0, None, False
    try:
        for part in _in_order(plan, workers):
            done += part.scans
            taken = [one + more for one, more in zip(taken, part.taken, strict=True)]
            if progress is not None:
                seconds = time.perf_counter() - started
                progress(SoakProgress(done * machine.scan, shifts * scans * machine.scan, seconds))
            if part.broken_shift is not None:
                found = part
                break
    except KeyboardInterrupt:
        stopped = True
    seconds = time.perf_counter() - started
    violation = None
    if found is not None:
        if on_cutting is not None:
            on_cutting()
        violation = _violation(document, plan, found, machine_path)
    return SoakResult(
        machine=machine,
        seed=seed,
        asked=shifts * scans * machine.scan,
        simulated=done * machine.scan,
        seconds=seconds,
        jobs=workers,
        shift=scans * machine.scan,
        operators=tuple(operators),
        disturbances=tuple(disturbances),
        mishaps=batch.source.mishaps,
        watched=tuple(name for name in batch.source.judging.names if name in machine.requirements),
        exits=tuple(zip(batch.source.controller.exit_marks, taken, strict=True)),
        violation=violation,
        stopped=stopped,
    )


@dataclass(frozen=True)
class _Plan:
    """What is run: shifts of so many scans, from a seed, under operators in turn."""

    batch: BatchSimulation
    shifts: int
    scans: int
    seed: int
    operators: tuple[OperatorKind, ...]


def _in_order(plan: _Plan, workers: int) -> Iterator[Shifts]:
    """What chunks of shifts came to, in their order, computed some chunks ahead.

    A call into the library lets go of the interpreter, so threads run side by side.
    """
    size = max(1, CHUNK_SCANS // plan.scans)
    chunks = ((first, min(size, plan.shifts - first)) for first in range(0, plan.shifts, size))

    def run(chunk: tuple[int, int]) -> Shifts:
        return plan.batch.shifts(*chunk, seed=plan.seed, scans=plan.scans, kinds=plan.operators)

    pool = ThreadPoolExecutor(workers)
    waiting: list[Future[Shifts]] = []
    try:
        waiting += [pool.submit(run, chunk) for chunk in islice(chunks, 2 * workers)]
        while waiting:
            yield waiting.pop(0).result()
            waiting += [pool.submit(run, chunk) for chunk in islice(chunks, 1)]
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _violation(document: MachineDocument, plan: _Plan, found: Shifts, machine_path: str) -> Violation:
    """Runs the shift again, cuts it down and confirms it."""
    machine, source = document.machine, plan.batch.source
    assert found.broken_shift is not None
    own_seed = shift_seed(plan.seed, found.broken_shift)
    operator = plan.operators[found.broken_shift % len(plan.operators)]
    requirement = source.judging.names[found.broken[0]]
    # From here on only this requirement counts: cutting down must not drift to another.
    only = [requirement] if requirement in machine.requirements else []
    narrow = judged_batch(machine, source.disturbances, only, source.mishaps)
    index = narrow.source.judging.names.index(requirement)
    again = narrow.run(plan.scans, seed=own_seed, operator=operator)
    if again.broken_at is None or index not in again.broken:
        raise ProgramFault("a shift of a soak ran differently the second time")
    trace = narrow.trace(again.broken_at + 1, seed=own_seed, operator=operator).trace
    begin = tuple(source.present[item] for item in source.mishaps)
    inputs = tuple(_changes((*begin, *source.free_circuits), narrow.source.traced, trace))
    present = tuple((0, source.present[item], 1) for item in source.disturbances)
    run = ShorterRun((*present, *inputs), own_seed, again.broken_at)

    def breaks(changes: tuple[Change, ...], own: int, limit: int) -> int | None:
        done = narrow.run(limit, seed=own, settings=[Setting(*change) for change in changes])
        return done.broken_at if index in done.broken else None

    if breaks(run.changes, run.seed, run.broken_at + 1) != run.broken_at:
        raise ProgramFault("the inputs of a broken shift do not break it when they are played back")
    try:
        short = cut_down(run, breaks)
    except KeyboardInterrupt:  # what was found is told as long as it is
        short = run
    scenario = scenario_of(
        machine,
        short,
        source.around[None].circuits,
        source.present,
        requirement=requirement,
        machine_path=machine_path,
    )
    result = run_scenario(document, scenario)
    confirmed = {(item.time, item.requirement) for item in result.broken}
    if (short.broken_at * machine.scan, requirement) not in confirmed:
        raise ProgramFault("the Python simulation does not confirm what a soak found")
    return Violation(
        requirement=requirement,
        shift=found.broken_shift,
        seed=own_seed,
        operator=operator,
        time=again.broken_at * machine.scan,
        changes=len(inputs),
        scenario=scenario,
        result=result,
    )


def _changes(
    circuits: Sequence[Cell], traced: Sequence[Cell], trace: Sequence[Sequence[int]]
) -> Iterator[Change]:
    """Changes of free circuits from their levels at rest on, and of what is disturbed later."""
    columns = [(cell, traced.index(cell)) for cell in circuits]
    before = {cell: cell.start for cell in circuits}
    for scan, row in enumerate(trace):
        for cell, column in columns:
            if row[column] != before[cell]:
                before[cell] = row[column]
                yield scan, cell, row[column]
