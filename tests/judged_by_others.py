"""What executive, random runs and z3 say of a machine that check has judged.

A run that breaks something shows that it breaks; a story must go the same way on the executive; a proof of
z3, checked again, and a way that it found, replayed, must say what check says.
"""

from __future__ import annotations

import random

from agreement import proved
from stillgate.controller.effort import Effort
from stillgate.controller.execution.executive import Executive
from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.results.verdict import Cause, CheckResult, Story
from stillgate.sim_io.faults.fault_list import faults_of
from stillgate.sim_io.simulation.simulation import disturbance_of
from stillgate.testing.fast_simulation import LoweredMachine

ENOUGH = 120.0
"""Seconds for the proofs of a machine; the hardest of all takes two or three."""


def broken_in_runs(machine: Machine, runs: int, scans: int, *, faulty: bool = True) -> set[str]:
    """What random runs with at most one fault break; a counter by its name."""
    lowered = LoweredMachine(machine)
    faults = [disturbance_of(fault) for fault in faults_of(machine) if fault.subject]
    power = len(faults) < len(faults_of(machine))
    found: set[str] = set()
    for number in range(runs):
        chance = random.Random(number)
        run = lowered.run(number)
        free = list(lowered.lowered(()).free)
        when = chance.randrange(scans)
        kind = number % 3 if faulty else 0
        for scan in range(scans):
            for name in free:
                if chance.random() < 0.4:
                    run.set_input(name, chance.random() < 0.5)
            if scan == when and kind == 1 and faults:
                run.inject(chance.choice(faults))
            if kind == 2 and power and scan in (when, when + 3):
                run.power(on=scan != when)
            run.step()
        found |= {name.removesuffix(" in its bounds") for _, name in run.broken}
    return found


def replay(machine: Machine, story: Story) -> None:
    """Feeds a story at the scan to the executive and compares states and outputs."""
    executive = Executive(machine)
    told = {step.tick: step for step in story.steps}
    subject, _, way = (story.fault or "").partition(" stuck ")
    stuck = False
    for tick, instant in enumerate(story.instants):
        step = told.get(tick)
        for change in step.changes if step else ():
            if change.cause is Cause.FAULT and change.name == "power":
                (executive.power_off if change.after == "interrupted" else executive.power_on)()
            stuck |= change.cause is Cause.FAULT and change.name == subject
        circuits = dict(instant.circuits)
        if stuck and subject in circuits:
            circuits[subject] = way == "on"
        executive.inputs.update(circuits)
        executive.scan()
        if step is None:
            continue
        driven = dict(executive.outputs)
        if stuck and subject in driven:
            driven[subject] = way == "on"
        assert {name: state or "off" for name, state in executive.states.items()} == dict(step.states)
        assert {name for name, on in driven.items() if on} == set(step.on_outputs)


def replayed(result: CheckResult, machine: Machine) -> int:
    """Replays every story of a check at the scan; how many."""
    stories = [
        judgement.story
        for item in result.requirements
        for judgement in item.judgements
        if judgement.story is not None
    ]
    for story in stories:
        replay(machine, story)
    return len(stories)


def differences(machine: Machine, result: CheckResult, *, faults: int) -> tuple[list[str], int]:
    """What is said differently of a machine that was checked with so many faults; how much was compared."""
    tick = result.tick
    said = {
        (item.name, judged.faults): judged.word.value == "broken"
        for item in result.requirements
        for judged in item.judgements
    }
    found: list[str] = []
    compared = 0
    for budget in range(faults + 1):
        by_proof = proved(machine, tick=tick, faults=budget, effort=Effort().within(ENOUGH))
        for name, breaks in by_proof.items():
            if (name, budget) in said:
                compared += 1
                if said[name, budget] != breaks:
                    found.append(
                        f"{name} with {budget} faults: z3 says {'broken' if breaks else 'not broken'}"
                    )
    if tick == machine.scan:
        try:
            compared += replayed(result, machine)
        except AssertionError as error:
            found.append(f"a story goes otherwise on the executive: {error}")
        names = set(machine.requirements)
        in_runs = broken_in_runs(machine, 6, 30, faulty=faults > 0) & names
        broken = {name for (name, _), breaks in said.items() if breaks}
        asked = {name for name, budget in said if budget == faults} if faults else names
        compared += len(in_runs & asked)
        found += [
            f"a run breaks {name}, which check does not say" for name in sorted((in_runs & asked) - broken)
        ]
    return found, compared
