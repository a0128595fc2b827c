"""Logs of simulated machines with a known hidden fault, and how well a diagnosis finds it."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from stillgate.controller.machine import Machine
from stillgate.interlocks.diagnosis import diagnose
from stillgate.interlocks.hypotheses import Hypothesis, Trouble
from stillgate.interlocks.inseparable import Inseparable
from stillgate.sim_io.disturbances import Disturbance, DisturbanceKind
from stillgate.sim_io.log import ALIVE, Change, Log, LogHeader, Subject, log_in_memory
from stillgate.sim_io.operators import OperatorKind
from stillgate.sim_io.simulation import Simulation
from stillgate.sim_io.tap import Tap

_MADE_BY = {
    Trouble.INPUT_ON: (DisturbanceKind.STUCK_ON, 0),
    Trouble.INPUT_OFF: (DisturbanceKind.STUCK_OFF, 0),
    Trouble.OUTPUT_ON: (DisturbanceKind.STUCK_ON, 0),
    Trouble.OUTPUT_OFF: (DisturbanceKind.STUCK_OFF, 0),
    Trouble.INPUT_LOOSE: (DisturbanceKind.INTERMITTENT, 5000),
    Trouble.POWER: (DisturbanceKind.POWER_DIP, 200),
}


def disturbance_for(hypothesis: Hypothesis) -> Disturbance | None:
    """What the simulator does where a hypothesis is true; None if nothing is wrong."""
    if hypothesis.trouble is Trouble.NONE:
        return None
    kind, time = _MADE_BY[hypothesis.trouble]
    return Disturbance(kind, (hypothesis.subject,) if hypothesis.subject else (), time)


def hidden(machine: Machine, hypothesis: Hypothesis, *, seed: int, scans: int) -> Log:
    """A log under a sensible operator; the fault begins between a tenth and a third of it."""
    begins = random.Random(seed).randrange(scans // 10, scans // 3)
    simulation = Simulation(machine, seed=seed, operator=OperatorKind.SENSIBLE)
    tap = Tap(simulation.executive)
    changes: list[Change] = []
    disturbance = disturbance_for(hypothesis)
    for scan in range(scans):
        if scan == begins and disturbance is not None:
            simulation.inject(disturbance)
        simulation.step()
        changes += tap.look()
    changes.append(Change((scans - 1) * machine.scan, Subject.EVENT, ALIVE, None))
    return log_in_memory(LogHeader(machine.machine, scan=machine.scan, signals=tap.signals), changes)


@dataclass(frozen=True, slots=True)
class Score:
    """How one log was diagnosed.

    Attributes:
        found: the true fault is among the survivors.
        alone: nothing else is.
        separable: survivors that some continuation might still refute; empty if it is proved of
            all others that none can.
    """

    true: Hypothesis
    found: bool
    alone: bool
    separable: tuple[str, ...]

    @property
    def pinned(self) -> bool:
        """The only one, or beside such as can never be told from it."""
        return self.found and not self.separable


def score(machine: Machine, true: Hypothesis, *, seed: int, scans: int) -> Score:
    """Makes a log with a hidden fault and diagnoses it."""
    found, tracking, run = diagnose(hidden(machine, true, seed=seed, scans=scans), machine)
    left = [item.hypothesis for item in found.survivors]
    if true not in left:
        return Score(true, found=False, alone=False, separable=())
    compare = Inseparable(tracking, run.controller.program)
    separable = tuple(item.name for item in left if not compare.from_now_on(true, item))
    return Score(true, found=True, alone=len(left) == 1, separable=separable)


def summary(scores: Iterable[Score]) -> str:
    """Counts, and what was missed or left open."""
    listed = list(scores)
    counts = Counter("alone" if item.alone else "inseparable" if item.pinned else "open" for item in listed)
    lines = [f"{len(listed)} logs: {dict(counts)}"]
    lines += [f"missed: {item.true.name}" for item in listed if not item.found]
    lines += [f"open: {item.true.name}: {', '.join(item.separable[:4])}" for item in listed if item.separable]
    return "\n".join(lines)
