"""Hypothesis strategies for a machine: what people do, what fails, and whole scenarios of both.

Everything drawn is a value that can be printed, saved and run again: an event of a script or a
scenario. Operators behave as ``sim_io.operators`` says; what they do is drawn from the seed of
the scenario, so that it shrinks to a small number and not to fewer acts. To have the acts
themselves shrunk, draw input sequences, or use ``machine_rules``.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from hypothesis import strategies as st

from stillgate.controller.expressions.durations import parse_duration
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import MachineDocument
from stillgate.sim_io.faults.disturbances import Disturbance, DisturbanceKind
from stillgate.sim_io.faults.fault_list import FaultKind, faults_of
from stillgate.sim_io.scenarios.scenario import Scenario, Step
from stillgate.sim_io.simulation.operators import OperatorKind
from stillgate.sim_io.simulation.script import POWER, Doing, Event
from stillgate.sim_io.simulation.simulation import disturbance_of

SEEDS = st.integers(0, 9999)
MOST_CHANGES = 30


def free_inputs(machine: Machine) -> list[str]:
    """Inputs that no part senses, so that somebody may set them."""
    sensed = {signal for part in machine.parts.values() for signal in part.senses}
    return [name for name in machine.inputs if name not in sensed]


def operators() -> st.SearchStrategy[OperatorKind]:
    """A sensible, a clumsy or a hostile operator; shrinks towards the sensible one.

    Give one to ``Simulation``; what it does is drawn from the seed of the run. Raises nothing.
    """
    return st.sampled_from(tuple(OperatorKind))


def input_sequences(
    machine: Machine | MachineDocument, *, longest: str = "10 s", most: int = MOST_CHANGES
) -> st.SearchStrategy[list[Event]]:
    """What happens to the free inputs of a machine, by time; shrinks to few changes, early ones.

    Args:
        machine: the machine, or what ``read_machine`` gave.
        longest: no change comes later; a time such as ``10 s``.
        most: changes at most.

    Raises:
        TextError: if the time cannot be read.
    """
    model = _model(machine)
    names = free_inputs(model)
    if not names:
        return st.just([])
    change = st.builds(
        lambda scans, name, on: Event(scans * model.scan, Doing.INPUT, name, on),
        _scans(model, longest),
        st.sampled_from(names),
        st.booleans(),
    )
    return st.lists(change, max_size=most).map(_by_time)


def fault_schedules(
    machine: Machine | MachineDocument, *, longest: str = "10 s", most: int = 1
) -> st.SearchStrategy[list[Event]]:
    """Single faults that begin in a run, those that the file excludes left out; shrinks to none.

    Stuck faults stay; power comes back after a while.

    Args:
        machine: the machine, or what ``read_machine`` gave.
        longest: no fault begins later; a time such as ``10 s``.
        most: faults at most; two that contradict each other are never drawn.

    Raises:
        TextError: if the time cannot be read.
    """
    model = _model(machine)
    times = _scans(model, longest)
    stuck = [item for item in faults_of(model) if item.kind is not FaultKind.POWER]
    kinds: list[st.SearchStrategy[list[Event]]] = []
    if stuck:
        kinds.append(
            st.builds(
                lambda scans, item: [_fault(scans * model.scan, disturbance_of(item))],
                times,
                st.sampled_from(stuck),
            )
        )
    if len(stuck) < len(faults_of(model)):
        kinds.append(
            st.builds(
                lambda scans, off: [
                    Event(scans * model.scan, Doing.POWER, POWER, False),
                    Event((scans + off) * model.scan, Doing.POWER, POWER, True),
                ],
                times,
                st.integers(1, max(1, 2000 // model.scan)),
            )
        )
    if not kinds:
        return st.just([])
    schedules = st.lists(st.one_of(kinds), max_size=most, unique_by=_subject)
    return schedules.map(lambda drawn: _by_time([event for item in drawn for event in item]))


def switch_disturbances(
    machine: Machine | MachineDocument, *, bounce: str = "10 ms", delay: str = "20 ms"
) -> tuple[Disturbance, ...]:
    """Bounce, pick-up delay and drop-out delay of every input's switch, which a check leaves out.

    Args:
        machine: the machine, or what ``read_machine`` gave.
        bounce: how long contacts bounce; a time such as ``10 ms``.
        delay: how late a switch picks up or drops out; a time likewise.

    Raises:
        TextError: if a time cannot be read.
    """
    kinds = (
        (DisturbanceKind.BOUNCE, bounce),
        (DisturbanceKind.PICK_UP, delay),
        (DisturbanceKind.DROP_OUT, delay),
    )
    return tuple(
        Disturbance(kind, (name,), parse_duration(time))
        for name in _model(machine).inputs
        for kind, time in kinds
    )


@st.composite
def scenarios(
    draw: st.DrawFn,
    machine: MachineDocument | Machine,
    *,
    faults: int = 0,
    disturbances: Iterable[Disturbance] = (),
    longest: str = "10 s",
    by: tuple[OperatorKind, ...] = tuple(OperatorKind),
) -> Scenario:
    """Whole runs: an operator of some kind, or input changes, with faults and disturbances.

    Args:
        machine: the machine; only of one that was read from a file a saved scenario can be run.
        faults: single faults at most.
        disturbances: of which some, three at most, are there from the start.
        longest: how long a run lasts; a time such as ``10 s``.
        by: kinds of operators; nobody is always among them, then input changes are drawn.

    Raises:
        TextError: if the time cannot be read.
    """
    model = _model(machine)
    operator = draw(st.sampled_from((None, *by)))
    events = draw(input_sequences(model, longest=longest)) if operator is None else []
    events += draw(fault_schedules(model, longest=longest, most=faults)) if faults else []
    end = parse_duration(longest)
    failing = {_first_word(event.name) for event in events if event.doing is Doing.FAULT}
    # What fails altogether does not bounce besides: some such pairs contradict each other.
    pool = [item.name for item in disturbances if _first_word(item.name) not in failing]
    some = draw(st.lists(st.sampled_from(pool), max_size=3, unique_by=_first_word)) if pool else []
    where = machine.path.resolve() if isinstance(machine, MachineDocument) else Path(f"{model.machine}.yaml")
    return Scenario.model_construct(
        scenario="drawn",
        machine=where.as_posix(),
        seed=draw(SEEDS),
        operator="nobody" if operator is None else operator.value,
        disturb=some,
        lasts=end,
        steps=[step_of(event) for event in _by_time(events) if event.time <= end],
    )


def step_of(event: Event) -> Step:
    """An event of a script as a step of a scenario."""
    match event.doing:
        case Doing.INPUT:
            return Step.model_construct(at=event.time, set={event.name: event.on})
        case Doing.FAULT if event.on:
            return Step.model_construct(at=event.time, inject=event.name)
        case Doing.FAULT:
            return Step.model_construct(at=event.time, clear=event.name)
        case Doing.POWER:
            return Step.model_construct(at=event.time, power=event.on)


def _fault(time: Milliseconds, item: Disturbance) -> Event:
    return Event(time, Doing.FAULT, item.name, True, item)


def _model(machine: Machine | MachineDocument) -> Machine:
    return machine.machine if isinstance(machine, MachineDocument) else machine


def _scans(machine: Machine, longest: str) -> st.SearchStrategy[int]:
    return st.integers(0, parse_duration(longest) // machine.scan)


def _by_time(events: list[Event]) -> list[Event]:
    return sorted(events, key=lambda event: event.time)


def _subject(events: list[Event]) -> str:
    return _first_word(events[0].name)


def _first_word(text: str) -> str:
    return text.split(maxsplit=1)[0]
