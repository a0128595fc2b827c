"""What a scenario does, as events in time: the expectations are left to those who judge them."""

from __future__ import annotations

from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine

from ..faults.disturbances import Disturbance, parse_disturbance
from ..simulation.operators import OperatorKind, rest_level
from ..simulation.script import POWER, Doing, Event
from ..simulation.simulation import Simulation
from .scenario import PRESS, Scenario, Step


def events_of(scenario: Scenario, machine: Machine) -> tuple[Event, ...]:
    """The events of a scenario by time; of events at one time, in the order of the steps."""
    found: list[Event] = []
    for time, step in zip(scenario.times, scenario.steps, strict=True):
        found += _events(step, time, machine)
    return tuple(sorted(found, key=lambda event: event.time))


def disturbances_at_start(scenario: Scenario, machine: Machine) -> tuple[Disturbance, ...]:
    """The disturbances that are there from the start."""
    return tuple(dict.fromkeys(parse_disturbance(text, machine) for text in scenario.disturb))


def simulation_of(scenario: Scenario, machine: Machine) -> Simulation:
    """The simulation that a scenario runs in, before its first scan."""
    operator = None if scenario.operator == "nobody" else OperatorKind(scenario.operator)
    return Simulation(
        machine,
        seed=scenario.seed,
        disturbances=disturbances_at_start(scenario, machine),
        operator=operator,
    )


def _events(step: Step, time: Milliseconds, machine: Machine) -> list[Event]:
    found: list[Event] = []
    for name in step.press or ():
        found += _actuated(name, time, step.during or PRESS, machine)
    for name in step.hold or ():
        found += _actuated(name, time, step.during, machine)
    for name in step.release or ():
        found.append(Event(time, Doing.INPUT, name, rest_level(machine, name)))
    for name, on in (step.set or {}).items():
        found.append(Event(time, Doing.INPUT, name, on))
    for text, on in ((step.inject, True), (step.clear, False)):
        if text is not None:
            item = parse_disturbance(text, machine)
            found.append(Event(time, Doing.FAULT, item.name, on, item))
    if step.power is not None:
        found.append(Event(time, Doing.POWER, POWER, step.power))
    return found


def _actuated(name: str, time: Milliseconds, during: Milliseconds | None, machine: Machine) -> list[Event]:
    rest = rest_level(machine, name)
    begin = Event(time, Doing.INPUT, name, not rest)
    return [begin] if during is None else [begin, Event(time + during, Doing.INPUT, name, rest)]
