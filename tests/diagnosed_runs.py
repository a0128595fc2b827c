"""Logs of simulated machines with a known hidden fault, and how well a diagnosis finds it."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.diagnosis.diagnosability import Inseparable
from stillgate.interlocks.diagnosis.diagnosis import diagnose
from stillgate.interlocks.diagnosis.hypotheses import NOTHING, FieldFault, Hypothesis
from stillgate.sim_io.faults.disturbances import Disturbance, DisturbanceKind
from stillgate.sim_io.logs.change_capture import ChangeCapture
from stillgate.sim_io.logs.log import ALIVE, Change, Log, LogHeader, Subject, log_in_memory
from stillgate.sim_io.simulation.simulation import Frame, Simulation
from working_days import DAYS

_MADE_BY = {
    FieldFault.INPUT_ON: (DisturbanceKind.STUCK_ON, 0),
    FieldFault.INPUT_OFF: (DisturbanceKind.STUCK_OFF, 0),
    FieldFault.OUTPUT_ON: (DisturbanceKind.STUCK_ON, 0),
    FieldFault.OUTPUT_OFF: (DisturbanceKind.STUCK_OFF, 0),
    FieldFault.INPUT_LOOSE: (DisturbanceKind.INTERMITTENT, 1000),
    FieldFault.POWER: (DisturbanceKind.POWER_DIP, 200),
}

MOST_ROUNDS = 4
"""Rounds that are worked with a fault that does not show; then the log is taken as it is."""

SHOWN = 3
"""Scans in which a fault must have made a difference at its terminal before the log ends."""


def disturbance_for(hypothesis: Hypothesis) -> Disturbance | None:
    """What the simulator does where a hypothesis is true; None if nothing is wrong."""
    if hypothesis.trouble is FieldFault.NONE:
        return None
    kind, time = _MADE_BY[hypothesis.trouble]
    return Disturbance(kind, (hypothesis.subject,) if hypothesis.subject else (), time)


def hidden(machine: Machine, hypothesis: Hypothesis, *, seed: int) -> Log:
    """A log of a working day: a round as it should be, the fault, and at least one round with it.

    The fault begins within ten seconds after the first round. The log ends with a round in
    which the fault has made a difference at its terminal, for nobody brings a log of a day on
    which nothing was wrong; or with the fourth.
    """
    simulation = Simulation(machine, seed=seed)
    day = DAYS[machine.machine](simulation, seed)
    disturbance = disturbance_for(hypothesis)
    capture = ChangeCapture(simulation.executive)
    changes: list[Change] = []
    begins: int | None = None
    scan = shown = 0
    while day.rounds < 1 + MOST_ROUNDS and (day.rounds < 2 or shown < SHOWN):
        if day.rounds == 1 and begins is None:
            begins = scan + random.Random(seed).randrange(10_000 // machine.scan)
        if scan == begins and disturbance is not None:
            simulation.inject(disturbance)
        day.act()
        frame = simulation.step()
        shown += disturbance is None or _makes_a_difference(hypothesis, frame, simulation)
        changes += capture.look()
        scan += 1
    changes.append(Change((scan - 1) * machine.scan, Subject.EVENT, ALIVE, None))
    return log_in_memory(LogHeader(machine.machine, scan=machine.scan, signals=capture.signals), changes)


def _makes_a_difference(hypothesis: Hypothesis, frame: Frame, simulation: Simulation) -> bool:
    """Whether what passes the terminal of a fault is not what it would be without it."""
    name = hypothesis.subject
    if name in frame.circuits:
        return frame.wired is not None and frame.wired[name] != frame.circuits[name]
    if name in frame.outputs:
        return frame.outputs[name] != simulation.executive.outputs[name]
    return not simulation.executive.powered


@dataclass(frozen=True, slots=True)
class Score:
    """How one log was diagnosed.

    Attributes:
        true: name of the hidden fault.
        seed: of the log.
        seconds: how long the log is.
        found: the true fault is among the survivors.
        healthy: 'nothing wrong' is too: the log shows nothing that a healthy machine would not.
        survivors: how many there are.
        separable: survivors that some continuation might still refute; empty if it is proved of
            all others that none can.
    """

    true: str
    seed: int
    seconds: float
    found: bool
    healthy: bool
    survivors: int
    separable: tuple[str, ...]

    @property
    def pinned(self) -> bool:
        """The only one, or beside such as can never be told from it."""
        return self.found and not self.separable

    @property
    def verdict(self) -> str:
        """In a word or two; 'never shows': proved that no log tells it from a healthy machine."""
        if not self.found:
            return "missed"
        if self.separable:
            return "not shown" if self.healthy else "open"
        if self.healthy:
            return "never shows"
        return "alone" if self.survivors == 1 else "proved alike"


def score(machine: Machine, true: Hypothesis, *, seed: int) -> Score:
    """Makes a log with a hidden fault and diagnoses it."""
    found, tracking, run = diagnose(hidden(machine, true, seed=seed), machine)
    left = [item.hypothesis for item in found.survivors]
    known = true in left
    separable: tuple[str, ...] = ()
    if known:
        compare = Inseparable(tracking, run.controller.program)
        if found.healthy and not compare.from_now_on(true, NOTHING):
            left = [NOTHING]  # open already; what else is left need not be compared
        separable = tuple(item.name for item in left if not compare.from_now_on(true, item))
    seconds = found.scans * found.period / 1000
    return Score(true.name, seed, seconds, known, found.healthy, len(found.survivors), separable)


def summary(scores: Iterable[Score]) -> str:
    """Counts by sort of fault, and every log that is not pinned down with what was left."""
    listed = list(scores)
    verdicts = ("alone", "proved alike", "never shows", "open", "not shown", "missed")
    sorts: dict[str, Counter[str]] = {}
    for item in listed:
        sort = "power" if item.true.startswith("power") else item.true.split(" ", 1)[1]
        sorts.setdefault(sort, Counter())[item.verdict] += 1
    sorts["all"] = Counter(item.verdict for item in listed)
    heads = (*verdicts, "pinned down", "if it can show")
    lines = [f"{'fault':14}" + "".join(f"{word:>15}" for word in heads)]
    for sort, counts in sorts.items():
        told, silent = counts["alone"] + counts["proved alike"], counts["never shows"]
        shares = (
            (told + silent) / max(1, counts.total()),
            told / max(1, counts.total() - silent),
        )
        lines.append(
            f"{sort:14}"
            + "".join(f"{counts[word]:15}" for word in verdicts)
            + "".join(f"{share:15.0%}" for share in shares)
        )
    for item in listed:
        if not item.pinned:
            left = f"; left beside it: {', '.join(item.separable[:4])}" if item.separable else ""
            more = f" and {len(item.separable) - 4} more" if len(item.separable) > 4 else ""
            lines.append(f"{item.verdict}: {item.true}, seed {item.seed}, {item.seconds:.0f} s{left}{more}")
    return "\n".join(lines)
