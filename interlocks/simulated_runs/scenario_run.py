"""Runs a scenario: does what it says, judges what it expects, watches the requirements.

Instants are the scans, after the outputs are written. A step at time t is judged in the first
scan at or after t. 'expect P' wants P there; 'expect P within d' wants P at some scan from t
to t + d; 'keep P for d' wants P at every scan from t to t + d, both ends included.

A scenario passes if every expectation is met and no watched requirement is broken. It is one
run of a model: that it passes says nothing about other runs, and nothing about a machine.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from stillgate.controller.execution.executive import Executive
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.expressions.expression import Expression, Name, walk
from stillgate.controller.machine_file.contact_words import level_of_contact
from stillgate.controller.machine_file.field_types import Condition, Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import MachineDocument
from stillgate.controller.rules.namespace import (
    AskedRef,
    Context,
    InputRef,
    MemoryRef,
    Namespace,
    OutputRef,
    PartTruthRef,
    SeenRef,
    StateRef,
)
from stillgate.sim_io.scenarios.scenario import Scenario
from stillgate.sim_io.scenarios.scenario_events import events_of, simulation_of
from stillgate.sim_io.scenarios.scenario_reader import ScenarioDocument
from stillgate.sim_io.simulation.script import play
from stillgate.sim_io.simulation.simulation import Frame, Simulation

from ..results.requirement_text import sentence_of
from .requirement_watch import ObservedBreak, RequirementWatch


@dataclass(frozen=True, slots=True)
class ExpectationOutcome:
    """What became of one expectation.

    Attributes:
        step: index of the step in the scenario.
        text: what was expected, as the file says it.
        since: when it was first to be judged.
        due: when it was decided at the latest.
        met: whether it was.
        decided: when that was certain; for a broken 'keep' the first scan without it.
        seen: what its names were at that scan, in words.
        reasons: why an output was off or on, and why a state was not entered, then.
    """

    step: int
    text: str
    since: Milliseconds
    due: Milliseconds
    met: bool
    decided: Milliseconds
    seen: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class ScenarioResult:
    """A scenario that has been run; ``broken`` holds the first break of every requirement."""

    scenario: Scenario
    machine: Machine
    frames: tuple[Frame, ...] = field(repr=False)
    outcomes: tuple[ExpectationOutcome, ...]
    broken: tuple[ObservedBreak, ...]
    watched: tuple[str, ...]

    @property
    def passed(self) -> bool:
        """Every expectation met, no watched requirement broken."""
        return not self.broken and all(item.met for item in self.outcomes)

    @property
    def failures(self) -> tuple[ExpectationOutcome, ...]:
        """The expectations that were not met."""
        return tuple(item for item in self.outcomes if not item.met)

    def difference(self) -> str:
        """What was expected and what was seen instead, in lines; empty if it passed."""
        return "\n".join(self._lines())

    def _lines(self) -> Iterator[str]:
        for item in self.failures:
            yield f"step {item.step + 1}: {item.text}"
            yield f"  {when(item)}"
            yield from (f"  seen then: {line}" for line in item.seen)
            yield from (f"  why: {line}" for line in item.reasons)
        for found in self.broken:
            requirement = self.machine.requirements.get(found.requirement)  # None: a counter's bounds
            meant = f": {sentence_of(requirement)}" if requirement is not None else ""
            yield f"requirement {found.requirement} broken at {format_duration(found.time)}{meant}"


def when(item: ExpectationOutcome) -> str:
    """When an expectation was to be met and how it was not."""
    since, due = format_duration(item.since), format_duration(item.due)
    if item.met:
        return f"met at {format_duration(item.decided)}"
    if item.decided < item.due:
        return f"expected from {since} to {due}; no longer so at {format_duration(item.decided)}"
    return (
        f"expected at {due}"
        if item.since == item.due
        else f"expected from {since} on, by {due} at the latest"
    )


def run_scenario(
    document: MachineDocument | ScenarioDocument,
    scenario: Scenario | None = None,
    *,
    prepare: Callable[[Simulation], None] | None = None,
    on_frame: Callable[[Frame], None] | None = None,
) -> ScenarioResult:
    """Runs a scenario on a machine.

    Args:
        document: the machine, or a scenario with its machine.
        scenario: the scenario, if ``document`` is a machine.
        prepare: called with the simulation before its first scan.
        on_frame: called after every scan.

    Raises:
        UsageError: if it is longer than a run may be, or two disturbances contradict each other.
    """
    if scenario is None:
        assert isinstance(document, ScenarioDocument), "a machine needs a scenario"
        scenario = document.scenario
    machine = document.machine
    simulation = simulation_of(scenario, machine)
    conditions = {
        str(number): condition
        for number, step in enumerate(scenario.steps)
        if (condition := step.expect or step.keep) is not None
    }
    watch = RequirementWatch(simulation, requirements=scenario.watch, conditions=conditions)
    judges = [_Judge(scenario, number, machine, watch) for number in map(int, conditions)]
    for judge in judges:
        simulation.watchers.append(judge.look)
    if prepare is not None:
        prepare(simulation)
    frames: list[Frame] = []
    for frame in play(simulation, events_of(scenario, machine), scenario.duration):
        frames.append(frame)
        if on_frame is not None:
            on_frame(frame)
    return ScenarioResult(
        scenario=scenario,
        machine=machine,
        frames=tuple(frames),
        outcomes=tuple(judge.outcome() for judge in judges),
        broken=watch.first_breaks,
        watched=watch.monitors.broken,
    )


class _Judge:
    """Decides one expectation while the simulation runs."""

    def __init__(self, scenario: Scenario, number: int, machine: Machine, watch: RequirementWatch) -> None:
        step = scenario.steps[number]
        self._number, self._machine, self._watch = number, machine, watch
        self._keeps = step.keep is not None
        condition = step.keep if self._keeps else step.expect
        assert condition is not None
        self._condition: Condition = condition
        length = (step.during if self._keeps else step.within) or 0
        scan = machine.scan
        self._since = -(-scenario.times[number] // scan) * scan
        self._due = max(self._since, (scenario.times[number] + length) // scan * scan)
        verb = "keep" if self._keeps else "expect"
        limit = f" {'for' if self._keeps else 'within'} {format_duration(length)}" if length else ""
        self._text = f"{verb} {condition.text}{limit}"
        self._outcome: ExpectationOutcome | None = None

    def look(self, simulation: Simulation) -> None:
        """Judges one scan."""
        if self._outcome is not None or simulation.time < self._since:
            return
        holds = self._watch.truths[str(self._number)]
        last = simulation.time >= self._due
        if holds and (last or not self._keeps):
            self._outcome = self._decided(simulation, met=True)
        elif not holds and (last or self._keeps):
            self._outcome = self._decided(simulation, met=False)

    def outcome(self) -> ExpectationOutcome:
        """What became of it; an expectation that a run ended before is not met."""
        if self._outcome is not None:
            return self._outcome
        late = "the scenario ended before"
        return ExpectationOutcome(self._number, self._text, self._since, self._due, False, self._due, (late,))

    def _decided(self, simulation: Simulation, *, met: bool) -> ExpectationOutcome:
        seen = () if met else tuple(_seen(self._condition.tree, simulation))
        reasons = () if met else tuple(dict.fromkeys(_reasons(self._condition.tree, simulation)))
        return ExpectationOutcome(
            self._number, self._text, self._since, self._due, met, simulation.time, seen, reasons
        )


def _names(tree: Expression) -> Iterator[str]:
    found = (node.path for node in walk(tree) if isinstance(node, Name))
    yield from dict.fromkeys(found)


def _seen(tree: Expression, simulation: Simulation) -> Iterator[str]:
    """What every name of a condition is now."""
    names = Namespace(simulation.machine)
    executive, around = simulation.executive, simulation.surroundings
    for path in _names(tree):
        match names.resolve(path, Context.REQUIREMENT):
            case InputRef(name=name):
                conducts = bool(simulation.value(around.circuits[name]))
                yield f"{path} is {level_of_contact(simulation.machine.inputs[name].contact, conducts)}"
            case SeenRef(name=name):
                contact, conducts = simulation.machine.inputs[name].contact, executive.seen[name]
                yield f"{path} is {level_of_contact(contact, conducts, as_read=True)}"
            case OutputRef(name=name):
                yield f"{path} is {_word(simulation.value(around.plant.driven[name]))}"
            case AskedRef(name=name):
                yield f"{path} is {_word(executive.outputs[name])}"
            case MemoryRef(name=name):
                value = executive.memory[name]
                yield f"{path} is {_word(value) if isinstance(value, bool) else value}"
            case StateRef(sequence=sequence):
                state = executive.states[sequence]
                yield f"{sequence} is in {state}" if state else f"{sequence} is without power"
            case PartTruthRef(part=part):
                found = next(item for item in around.plant.parts if item.name == part)
                place = found.describe({cell: simulation.value(cell) for cell in found.cells})
                yield f"{part} is {place}"


def _reasons(tree: Expression, simulation: Simulation) -> Iterator[str]:
    """Why outputs are as they are and states of the condition are not active."""
    names = Namespace(simulation.machine)
    executive = simulation.executive
    for path in _names(tree):
        match names.resolve(path, Context.REQUIREMENT):
            case OutputRef(name=name) | AskedRef(name=name):
                reason = executive.why(name)
                yield str(reason)
                if not reason.demanded_by and executive.powered:
                    for demander in reason.demanders:
                        yield from _ways_into(executive, *demander)
            case StateRef(sequence=sequence, state=state) if executive.states[sequence] != state:
                yield from _ways_into(executive, sequence, state)
            case _:
                pass


def _ways_into(executive: Executive, sequence: str, state: str) -> Iterator[str]:
    """What keeps the ways into a state shut; from farther away, what keeps the sequence where it is."""
    onward = tuple(way for way in executive.exits(sequence) if not way.is_override)
    yield from (str(way) for way in executive.why_not(f"{sequence}.{state}") or onward)


def _word(on: int | bool) -> str:
    return "on" if on else "off"
