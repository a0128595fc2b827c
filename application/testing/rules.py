"""A machine as Hypothesis' state machine: random but well-aimed runs, requirements as invariants.

``machine_rules`` makes a class whose rules do what people and faults do: follow what a way out
of an active state waits for, drive the part behind a switch that it waits for, provoke a
requirement, touch inputs, wait, let one thing fail, in most runs as ``failing`` says. After
every rule the requirements are judged, each scan of it. Subclass it to add rules and invariants::

    class PressRules(machine_rules("press.machine.yaml", faults=1)):
        @rule()
        def the_lamp_is_watched(self) -> None:
            self.wait(500)
            assert not (self.outputs["lamp"] and self.parts["shaft"] != "still")

    TestPress = PressRules.TestCase

A failing run is shrunk by Hypothesis, replayed on the reference controller, saved as a scenario
file and told in the machine's words. That nothing was found says nothing about other runs.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import ClassVar

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import MachineDocument
from stillgate.interlocks.checking.checker import required_faults
from stillgate.sim_io.faults.disturbances import Disturbance, contradict, parse_disturbance
from stillgate.sim_io.faults.fault_list import FaultKind, faults_of
from stillgate.sim_io.scenarios.scenario import Step
from stillgate.sim_io.simulation.simulation import disturbance_of

from .case_settings import TestCases
from .connections import Connections
from .failing_runs import FailingRuns
from .failures import RequirementBroken, tell_failure
from .fast_simulation import LoweredMachine, LoweredRun
from .fault_timing import FAILING, ComingFault, Drawn, Signal
from .input_guidance import Guide, WantedLevels, Way
from .record import RunRecord
from .three_valued import possible

NUMBERS = st.integers(0, 255)
"""Picks one of what there is at the moment, whatever its number."""

WAITS = (20, 60, 100, 200, 400, 700, 1000, 2000)
"""Times between two things that are done, in ms."""

CHOICES = st.sampled_from((0, 0, 0, 0, 0, 0, 1, 2))
"""Picks a way; the first ones, which can be taken at once, more often."""

STUCK = (FaultKind.INPUT_OFF, FaultKind.INPUT_ON, FaultKind.OUTPUT_OFF, FaultKind.OUTPUT_ON)

PAUSES = st.sampled_from((0, 0, 0, 0, 0, 0, 100, 400, 1000))
"""How long somebody stays with what they do before they do the next, in ms; mostly not at all."""

JOB = st.lists(st.tuples(CHOICES, PAUSES), min_size=4, max_size=8)
"""The ways that are followed one after another, and how long each is waited with."""

Job = list[tuple[int, Milliseconds]]
"""What ``JOB`` draws."""

CALM = st.sampled_from((True, True, True, True, True, True, True, False))
"""Whether what an override waits for is left alone."""

MARGIN: Milliseconds = 900
"""How long a way is waited for beyond its own time."""

TRAVEL: Milliseconds = 1500
"""How long a switch is waited for while the part that it senses is driven."""


class MachineRules(RuleBasedStateMachine):
    """A machine run by Hypothesis; ``machine_rules`` makes a class of it for a machine file.

    Its rules are what people and faults do. Add rules and invariants of your own in a subclass: ask
    ``states``, ``outputs``, ``circuits``, ``memory``, ``parts`` and ``time`` (in ms), act with
    ``change``, ``wait``, ``fail`` and ``cut_power``, and override ``every_scan``.

    Raises:
        RequirementBroken: from a run in which a requirement breaks.
    """

    TestCase = TestCases()

    lowered: ClassVar[LoweredMachine]
    guide: ClassVar[Guide]
    connections: ClassVar[Connections]
    suspects: ClassVar[Mapping[Signal, Disturbance]]
    document: ClassVar[MachineDocument]
    budget: ClassVar[int]
    switch_faults: ClassVar[tuple[Disturbance, ...]]
    file: ClassVar[Path | None]
    found: ClassVar[FailingRuns]

    def __init__(self) -> None:
        super().__init__()
        self.faults_left = self.budget
        self._judged = 0
        self._coming: ComingFault | None = None
        self._job = next(iter(self.guide.worked or self.machine.sequences))
        self._begin(0, ())

    # -- what can be asked ---------------------------------------------------------------------

    @property
    def machine(self) -> Machine:
        """The machine."""
        return self.document.machine

    @property
    def time(self) -> Milliseconds:
        """Time of the scan that comes next, in ms."""
        return self._run.time

    @property
    def states(self) -> Mapping[str, str | None]:
        """The active state of every sequence; None without power."""
        return self._run.states

    @property
    def outputs(self) -> Mapping[str, bool]:
        """Outputs as physically driven."""
        return self._run.outputs

    @property
    def circuits(self) -> Mapping[str, bool]:
        """The healthy circuit of every input."""
        return self._run.circuits

    @property
    def memory(self) -> Mapping[str, int]:
        """Every bit and counter."""
        return self._run.memory

    @property
    def parts(self) -> Mapping[str, str]:
        """Where every part stands, in words."""
        return self._run.parts

    # -- what can be done, each taken down for the scenario --------------------------------------

    def change(self, **levels: bool) -> None:
        """Sets circuits of free inputs from the next scan on.

        Raises:
            UsageError: if there is no such input, or a part moves its switch.
        """
        circuits = self._run.circuits
        new = {name: on for name, on in levels.items() if self._run.scan == 0 or circuits.get(name) is not on}
        for name, on in new.items():
            self._run.set_input(name, on)
        if new:
            self._record.set(self.time, new)

    def wait(self, milliseconds: Milliseconds) -> None:
        """Lets so many ms pass, a scan at least; stops early when a requirement breaks."""
        for _ in range(max(1, milliseconds // self.machine.scan)):
            self._run.step()
            self.every_scan()
            if self._news():
                return
            self._let_fail()

    def every_scan(self) -> None:
        """Called after every scan: override it to assert what must hold at every instant.

        An ``invariant`` of Hypothesis is looked at after a rule only, which may take seconds.
        """

    def fail(self, disturbance: str | Disturbance) -> None:
        """Lets something fail from the next scan on, such as ``still stuck on``.

        Raises:
            TextError: if the text names nothing that can fail.
            UsageError: if it contradicts what has failed.
        """
        item = parse_disturbance(disturbance, self.machine) if isinstance(disturbance, str) else disturbance
        self._run.inject(item)
        self._record.add(Step.model_construct(at=self.time, inject=item.name))

    def cut_power(self, milliseconds: Milliseconds) -> None:
        """Interrupts power for so many ms, a scan at least."""
        self._record.add(Step.model_construct(at=self.time, power=False))
        self._run.power(on=False)
        self.wait(milliseconds)
        self._record.add(Step.model_construct(at=self.time, power=True))
        self._run.power(on=True)

    # -- rules -----------------------------------------------------------------------------------

    @initialize(seed=st.integers(0, 999), switches=st.sets(NUMBERS, max_size=3), failing=FAILING)
    def power_on(self, seed: int, switches: set[int], failing: Drawn | None) -> None:
        """Power-on; the seed decides what parts and switches leave open.

        With a fault budget, something that a requirement leans on fails in most runs, at a moment
        of the machine's own.
        """
        chosen: list[Disturbance] = []
        for number in sorted(switches) if self.switch_faults else ():
            item = self.switch_faults[number % len(self.switch_faults)]
            if item not in chosen and not any(contradict(item, other) for other in chosen):
                chosen.append(item)
        self._begin(seed, tuple(chosen))
        if failing is not None and self.suspects and self.faults_left:
            self._coming = ComingFault(failing, self.suspects, self._run)
            self._let_fail()

    @rule(number=NUMBERS, choices=JOB, calm=CALM)
    def work(self, number: int, choices: Job, calm: bool) -> None:
        """Follows the ways of one sequence from state to state, as somebody with a job would."""
        sequences = self.guide.worked or tuple(self.machine.sequences)
        self._job = sequences[number % len(sequences)]
        self.carry_on(choices=choices, calm=calm)

    @rule(choices=JOB, calm=CALM)
    def carry_on(self, choices: Job, calm: bool) -> None:
        """Goes on with the sequence worked on last; the first one at the beginning."""
        for choice, pause in choices:
            if pause:
                self.wait(pause)
                if self._news():
                    return
            ways = self._reachable_first(self.guide.onward(self._job, self._run.states))
            if not ways:
                self.wait(self.machine.scan)
                return
            if not self._follow(ways[choice % len(ways)], calm=calm, help_along=True):
                return

    @rule(number=NUMBERS, calm=CALM)
    def follow(self, number: int, calm: bool) -> None:
        """Does what one of the ways out of the active states waits for, until it is taken."""
        ways = self._reachable_first(self.guide.ways(self._run.states))
        if ways:
            self._follow(ways[number % len(ways)], calm=calm, help_along=False)
        else:
            self.wait(self.machine.scan)

    @precondition(lambda self: self.guide.interruptions)
    @rule(number=NUMBERS, wait=st.sampled_from(WAITS))
    def interrupt(self, number: int, wait: Milliseconds) -> None:
        """Does what an override waits for and takes it back after a while."""
        wishes = self.guide.interruptions
        self._do(wishes[number % len(wishes)])
        self.wait(wait)
        if not self._news():
            self.change(**self.guide.quiet)
            self.wait(self.machine.scan)

    @rule(number=NUMBERS, wait=st.sampled_from(WAITS))
    def provoke(self, number: int, wait: Milliseconds) -> None:
        """Does what triggers a requirement, or what it forbids."""
        wishes = self.guide.provocations
        if wishes:
            self._do(wishes[number % len(wishes)][1])
        self.wait(wait)

    @rule(numbers=st.lists(NUMBERS, min_size=1, max_size=3), wait=st.sampled_from(WAITS))
    def touch(self, numbers: list[int], wait: Milliseconds) -> None:
        """Changes some inputs in one scan."""
        free = list(self.lowered.lowered(()).free)
        if free:
            circuits = self._run.circuits
            names = {free[number % len(free)] for number in numbers}
            self.change(**{name: not circuits[name] for name in sorted(names)})
        self.wait(wait)

    @precondition(lambda self: self._may_fail())
    @rule(kind=st.sampled_from(STUCK), hangs=st.booleans(), number=NUMBERS)
    def break_something(self, kind: FaultKind, hangs: bool, number: int) -> None:
        """One thing fails: it stays as it is, or goes where it is not."""
        run = self._run
        levels = run.circuits if kind in (FaultKind.INPUT_ON, FaultKind.INPUT_OFF) else run.outputs
        on = kind in (FaultKind.INPUT_ON, FaultKind.OUTPUT_ON)
        wanted = [
            fault
            for fault in faults_of(self.machine)
            if fault.kind is kind
            and (levels[fault.subject] is on) is hangs
            and run.against(disturbance_of(fault)) is None
        ]
        if wanted:
            self.faults_left -= 1
            self.fail(disturbance_of(wanted[number % len(wanted)]))
            self.wait(self.machine.scan)

    @precondition(lambda self: self._may_fail())
    @rule(off=st.sampled_from(WAITS), wait=st.sampled_from(WAITS))
    def lose_power(self, off: Milliseconds, wait: Milliseconds) -> None:
        """Power fails and comes back."""
        if not any(fault.kind is FaultKind.POWER for fault in faults_of(self.machine)):
            return
        self.faults_left -= 1
        self.cut_power(off)
        self.wait(wait)

    @invariant()
    def requirements_hold(self) -> None:
        """No requirement is broken that withstands as many faults as there were."""
        __tracebackhide__ = True  # for pytest: who broke what is told by the story, not by this place
        for time, name in self._run.broken[self._judged :]:
            if self._counts(name):
                raise RequirementBroken(self._record, name, time, self.found)
        self._judged = len(self._run.broken)

    def teardown(self) -> None:
        """Tells and saves a run in which an assertion of the user's own failed."""
        error = sys.exc_info()[1]
        if isinstance(error, AssertionError) and not isinstance(error, RequirementBroken):
            end = max(0, self.time - self.machine.scan)
            tell_failure(self._record, end, self.found, type(self).__name__)

    # -- inside ------------------------------------------------------------------------------------

    def _may_fail(self) -> bool:
        return self.faults_left > 0 and self._coming is None

    def _let_fail(self) -> None:
        """Lets what is to fail do so when its moment has come."""
        fault = None if self._coming is None else self._coming.due(self._run)
        if fault is not None and self._run.against(fault) is None:
            self._coming = None
            self.faults_left -= 1
            self.fail(fault)

    def _begin(self, seed: int, present: tuple[Disturbance, ...]) -> None:
        self._coming = None
        self._run: LoweredRun = self.lowered.run(seed, present, expected=self.switch_faults)
        self._record = RunRecord(self.document, self.file, seed, tuple(item.name for item in present))

    def _counts(self, name: str) -> bool:
        happened = self.budget - self.faults_left
        requirement = self.machine.requirements.get(name)
        if requirement is None:
            return not happened
        return happened <= min(self.budget, required_faults(self.machine, requirement))

    def _news(self) -> bool:
        return len(self._run.broken) > self._judged

    def _reachable_first(self, ways: list[Way]) -> list[Way]:
        known = self._run.known
        return sorted(ways, key=lambda way: not possible(way.guard, known))

    def _do(self, wish: WantedLevels) -> None:
        before = self._run.circuits
        back = {name: not on for name, on in wish.levels if name in wish.edges and before[name] is on}
        if back:
            self.change(**back)
            self.wait(self.machine.scan + max(self.machine.inputs[name].debounce for name in back))
        self.change(**dict(wish.levels))

    def _follow(self, way: Way, *, calm: bool, help_along: bool) -> bool:
        """Does what a way waits for, and what leads to the states that it waits for.

        Returns whether the sequence moved, and nothing broke on the way.
        """
        if help_along:
            if not possible(way.guard, self._run.known):
                for name, on in way.wish.sensed:
                    self._bring(name, on, way.sequence)
            for sequence, state in way.wish.states:
                if sequence != way.sequence:
                    for step in self.guide.towards(sequence, state, self._run.states):
                        if not self._follow(step, calm=calm, help_along=False):
                            break
        if calm:
            wanted = {name for name, _ in way.wish.levels}
            self.change(**{name: on for name, on in self.guide.quiet.items() if name not in wanted})
        self._do(way.wish)
        here = self._run.state_of(way.sequence)
        patience = way.after + (MARGIN if possible(way.guard, self._run.known) else MARGIN // 3)
        for _ in range(1 + patience // self.machine.scan):
            self.wait(self.machine.scan)
            if self._run.state_of(way.sequence) != here or self._news():
                return not self._news()
        return False

    def _bring(self, name: str, on: bool, own: str) -> None:
        """Brings an input to a level by what drives the part that it senses, if another sequence does."""
        for sequence, state in self.connections.movers.get(name, ()):
            if self._run.circuit_of(name) is on or self._news():
                return
            if sequence == own:
                continue
            for step in self.guide.towards(sequence, state, self._run.states):
                if not self._follow(step, calm=False, help_along=False):
                    break
            for _ in range(TRAVEL // self.machine.scan):
                there = self._run.state_of(sequence) == state
                if not there or self._run.circuit_of(name) is on or self._news():
                    break
                self.wait(self.machine.scan)
