"""Steps a run of a slice on the whole machine, tick by tick, so that what breaks is shown of the whole.

The whole is stepped with levels of inputs, so that nothing is left open. What the slice keeps does what it
did there: its inputs have the levels of the run, its parts begin and move alike, the same fault begins in the
same tick, power returns in the same tick. The rest may do anything, and rests: inputs stay as they are when
nobody touches anything, parts take the first of what they may do. After each tick states, memory, outputs
and parts of the slice are compared.
"""

from __future__ import annotations

from collections.abc import Callable

from stillgate.controller.errors import ProgramFault
from stillgate.controller.machine_file.machine import Exclusion, Machine
from stillgate.controller.program.program import Cell
from stillgate.sim_io.faults.fault_list import faults_of
from stillgate.sim_io.simulation.operators import rest_level

from ..loop.answers import Answers, by_name, noting
from ..loop.closed_loop import ClosedLoop, close_loop
from ..loop.counterexample import Replay, truths_of
from ..loop.interpreter import LoopRunner, Tick

_FAULT = "fault"


def lifted_run(
    machine: Machine, run: Replay, breaks: str | None, *, look: Callable[[], None] = lambda: None
) -> Replay:
    """The run of the whole machine in which the slice does what it does in a run of its own.

    Args:
        run: of a slice, under one fault at most.
        breaks: requirement or counter that its last tick breaks; None if it breaks none.
        look: called at every tick; what it raises ends the work.

    Raises:
        ProgramFault: if the whole does otherwise: then the slice leaves out something that matters.
    """
    loop = _whole(machine, run)
    whole = LoopRunner(loop)
    rest = {name: int(rest_level(machine, name)) for name in machine.inputs}
    start = dict(zip(run.loop.key_cells, run.start, strict=True))
    whole.begin(lambda name, count: 0)
    for cell in run.loop.plant.cells:
        whole.values[whole.layout.slot(cell)] = start.get(cell, cell.start)
    begin = whole.key()
    shared = _shared(run.loop)
    ticks: list[Tick] = []
    answers: list[Answers] = []
    before = 0
    for given, expected, circuits in zip(run.answers, run.ticks, run.circuits, strict=True):
        look()
        begun = expected.values[_FAULT] != before
        before = expected.values[_FAULT]
        levels = {cell.name: (rest | circuits)[name] for name, cell in loop.circuits.items()}
        others = [item for item in given if item[0] not in levels and item[0] != _FAULT]
        chooser = by_name([*others, *levels.items(), *([(_FAULT, 1)] if begun else [])])
        noted: list[tuple[str, int]] = []
        ticks.append(whole.step(noting(chooser, noted), settle=False))
        answers.append(tuple(noted))
        if any(ticks[-1].values[cell.name] != expected.values[cell.name] for cell in shared):
            raise ProgramFault("a slice of the machine does what the whole does not")
    if breaks is not None and loop.requirement_names.index(breaks) not in ticks[-1].broken:
        raise ProgramFault(f"a run breaks {breaks} in a slice of the machine and not in the whole")
    shown = tuple({name: tick.values[cell.name] for name, cell in loop.circuits.items()} for tick in ticks)
    return Replay(loop, tuple(ticks), shown, truths_of(whole, ticks), begin, tuple(answers))


def _whole(machine: Machine, run: Replay) -> ClosedLoop:
    """The whole loop, with levels for inputs, in which no other fault than the run's can begin."""
    begun = run.ticks[-1].values[_FAULT]
    names = {item.name for item in run.loop.faults if item.number == begun}
    others = [
        Exclusion(fault=item.name, why="another fault is looked at")
        for item in faults_of(machine)
        if item.name not in names
    ]
    options = machine.check.model_copy(update={"exclude": [*machine.check.exclude, *others]})
    only = machine.model_copy(update={"check": options})
    return close_loop(only, tick=run.loop.tick, faults=run.loop.budget, lazy=False, possibility=False)


def _shared(loop: ClosedLoop) -> tuple[Cell, ...]:
    """What is compared: states, memory, outputs as driven, parts."""
    return (
        *(item.active for item in loop.controller.sequences),
        *loop.controller.memory,
        *(loop.plant.driven[item.name] for item in loop.controller.outputs),
        *loop.plant.cells,
    )
