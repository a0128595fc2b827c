"""Hand-made results of checks: one of everything that a report must show."""

from __future__ import annotations

from stillgate.controller.machine_file.machine import Contact
from stillgate.controller.reading.reader import MachineDocument
from stillgate.interlocks.checking.assumptions import assumed_of
from stillgate.interlocks.checking.checker import required_faults
from stillgate.interlocks.requirements.monitors import is_judged
from stillgate.interlocks.results.assumption import Assumption, Limit, Topic
from stillgate.interlocks.results.instant import Instant, stretches_of
from stillgate.interlocks.results.requirement_text import formula_of, pattern_of, sentence_of
from stillgate.interlocks.results.verdict import (
    Cause,
    CheckResult,
    Exploration,
    Finding,
    FindingKind,
    Judgement,
    RequirementVerdict,
    Story,
    StoryChange,
    StoryStep,
    Word,
)

TICK = 100
SCAN = 20


def story() -> Story:
    """A story with an operator, a switch, a fault, a part and a controller in it."""
    return Story(
        headline="motor_shut is still on 300 ms after the edge was touched, with edge_clear stuck on.",
        steps=(
            StoryStep(
                tick=0,
                time=0,
                changes=(
                    StoryChange("edge_clear", "healthy", "stuck on", Cause.FAULT),
                    StoryChange("open_button", "off", "on", Cause.OPERATOR, Contact.NORMALLY_OPEN),
                ),
                on_outputs=(),
                states=(("gate", "resting"),),
            ),
            StoryStep(
                tick=2,
                time=200,
                changes=(
                    StoryChange("gate_open", "off", "on", Cause.PART, Contact.NORMALLY_OPEN),
                    StoryChange("leaf", "between shut and open", "at open", Cause.PART),
                    StoryChange("gate", "resting", "shutting", Cause.CONTROLLER),
                    StoryChange("motor_shut", "off", "on", Cause.CONTROLLER),
                ),
                on_outputs=("motor_shut",),
                states=(("gate", "shutting"),),
            ),
            StoryStep(
                tick=5,
                time=500,
                changes=(StoryChange("edge_clear", "on", "off", Cause.FREE, Contact.NORMALLY_CLOSED),),
                on_outputs=("motor_shut",),
                states=(("gate", "shutting"),),
            ),
        ),
        ticks=6,
        recording=stretches_of(_instant(tick) for tick in range(6)),
    )


def _instant(tick: int) -> Instant:
    return Instant(
        circuits={"open_button": tick == 0, "edge_clear": tick < 5},
        states={"gate": "resting" if tick < 2 else "shutting"},
        outputs={"motor_shut": tick >= 2},
        memory={},
        parts={"leaf": "at open"},
        faults=("edge_clear stuck on",),
    )


def holding(name: str = "one_direction", *, tick: int = TICK) -> RequirementVerdict:
    """A requirement that no fault breaks: at the scan it holds, at a longer tick it is not broken."""
    word = Word.HOLDS.at(tick, SCAN)
    return RequirementVerdict(
        name=name,
        pattern="absence",
        text="never: motor_open and motor_shut",
        formula="G not (motor_open and motor_shut)",
        hazard=None,
        faults=0,
        judgements=tuple(Judgement(Word.HOLDS, faults, tick).at_scan(SCAN) for faults in (0, 1)),
        verdict=word,
        withstands=1 if word is Word.HOLDS else None,
        line=30,
        column=3,
    )


def broken() -> RequirementVerdict:
    """A requirement that one fault breaks."""
    return RequirementVerdict(
        name="edge_stops_it",
        pattern="bounded response",
        text="after not edge_clear, then not motor_shut within 200 ms",
        formula="G ((not edge_clear) -> F[0, 200 ms] (not motor_shut))",
        hazard="crushing",
        faults=1,
        judgements=(
            Judgement(Word.HOLDS, 0, TICK).at_scan(SCAN),
            Judgement(Word.BROKEN, 1, TICK, depth=6, story=story()),
        ),
        verdict=Word.BROKEN,
        withstands=None,
        line=31,
        column=3,
        why="nobody is crushed by the closing edge",
    )


def undecided() -> RequirementVerdict:
    """A requirement whose search was cut short."""
    return RequirementVerdict(
        name="can_rest",
        pattern="possibility from anywhere",
        text="from every situation some run reaches: gate.resting",
        formula="AG EF (gate.resting)",
        hazard=None,
        faults=0,
        judgements=(
            Judgement(Word.UNDECIDED, 0, TICK, depth=40, reason="the search was stopped by the state cap"),
        ),
        verdict=Word.UNDECIDED,
        withstands=None,
        line=32,
        column=3,
    )


def finding(*, breaks: bool = False) -> Finding:
    """An exit that no run takes, or a counter that leaves its bounds."""
    if breaks:
        return Finding(
            FindingKind.BOUNDS,
            "count",
            "count + 1 would be 6, beyond 0..5",
            14,
            20,
            story=story(),
            breaks=True,
        )
    return Finding(
        FindingKind.EXIT_NEVER_TAKEN, "gate: opening, exit 2", "no run takes this exit to resting", 22, 60
    )


def exploration(*, exhausted: bool = True, tick: int = TICK) -> Exploration:
    """What a search covered."""
    return Exploration(
        faults=0,
        tick=tick,
        exhausted=exhausted,
        stopped_by="" if exhausted else "state cap",
        states=1_234_567,
        transitions=8_888_888,
        depth=120,
        seconds=0.5,
        key_bits=61,
        bytes_per_state=13.25,
        threads=2,
        initial_states=12,
    )


def result(
    *requirements: RequirementVerdict,
    findings: tuple[Finding, ...] = (),
    exhausted: bool = True,
    tick: int = TICK,
) -> CheckResult:
    """A whole check."""
    return CheckResult(
        machine="yard_gate",
        digest="0" * 64,
        version="0.0.0",
        tick=tick,
        scan=SCAN,
        faults=1,
        assumed=(
            Assumption(
                Topic.TIME,
                "One step is one scan of 20 ms."
                if tick == SCAN
                else "One step is one tick of 100 ms; the controller scans every 20 ms. Two events closer"
                " together than a tick are seen at once or a tick apart.",
            ),
            Assumption(
                Topic.TIME,
                "Limits of requirements are rounded against the machine, one scan for the sampling included",
                limits=(Limit("edge_stops_it", "200 ms", "allows 1 tick"),),
            ),
            Assumption(
                Topic.INPUTS, "The operator may do anything in any tick with", ("open_button", "stop_ok")
            ),
            Assumption(Topic.FAULTS, "Single faults: each input stuck on or stuck off."),
            Assumption(Topic.LEFT_OUT, "Left out of this check", ("contact bounce", "slow valves")),
        ),
        exclusions=(("motor_open stuck on", "two contactors in series, read back"),),
        requirements=requirements,
        findings=findings,
        exploration=(exploration(exhausted=exhausted, tick=tick),),
        hazards=("crushing", "shearing"),
    )


def result_of(document: MachineDocument, *, tick: int, breaks: dict[str, int]) -> CheckResult:
    """A check of a machine as if it had been searched, with one fault.

    Args:
        breaks: requirements that are broken, and from how many faults on.
    """
    machine = document.machine
    requirements = []
    for name, item in machine.requirements.items():
        budgets = [n for n in (0, 1) if is_judged(item, n, possibility=not n)]
        judgements = tuple(
            Judgement(Word.BROKEN, n, tick, 6, story())
            if name in breaks and n >= breaks[name]
            else Judgement(Word.HOLDS, n, tick).at_scan(machine.scan)
            for n in budgets
        )
        must = required_faults(machine, item)
        counts = name in breaks and breaks[name] <= must
        line, column = document.place(("requirements", name))
        requirements.append(
            RequirementVerdict(
                name, pattern_of(item), sentence_of(item), formula_of(item), item.hazard, must, judgements,
                Word.BROKEN if counts else Word.HOLDS.at(tick, machine.scan), None, line, column, item.why,
            )
        )  # fmt: skip
    return CheckResult(
        machine.machine, document.digest, "0.0.0", tick, machine.scan, 1, assumed_of(machine, tick, 1), (),
        tuple(requirements), (finding(), finding()), (exploration(tick=tick),),
        hazards=tuple(machine.hazards),
    )  # fmt: skip


def full_result() -> CheckResult:
    """A check with one of everything."""
    return result(
        holding(), broken(), undecided(), findings=(finding(), finding(breaks=True)), exhausted=False
    )
