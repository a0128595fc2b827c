"""What a check says: verdicts, stories, findings and the assumptions behind them.

All values here are frozen; whoever prints, exports or draws them reads nothing else. A story holds what
was recorded as values, which charts are drawn from, and beside it the same in words.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from enum import Enum

from stillgate.controller.expressions.durations import Milliseconds, Ticks, format_duration
from stillgate.controller.machine_file.machine import Contact

from .assumption import Assumption
from .instant import Instant, Stretch, instants_of


class Word(Enum):
    """The verdict words. 'holds' only after an exhausted search; a cap gives 'undecided'.

    A search in longer steps than the scan decides nothing: where it would say 'holds', the word is 'not
    broken', which counts as undecided.
    """

    HOLDS = "holds"
    NOT_BROKEN = "not broken"
    BROKEN = "broken"
    UNDECIDED = "undecided"

    def at(self, tick: Milliseconds, scan: Milliseconds) -> Word:
        """The word as it may be said of a machine that scans every ``scan``, looked at every ``tick``."""
        return Word.NOT_BROKEN if self is Word.HOLDS and tick != scan else self


class Cause(Enum):
    """Who made a value change in a story."""

    OPERATOR = "operator"  # an input with ``from: operator``
    FREE = "free"  # an input nothing drives
    PART = "part"  # a switch that a part moves
    FAULT = "fault"
    CONTROLLER = "controller"


@dataclass(frozen=True, slots=True)
class StoryChange:
    """One thing that became different in a step of a story."""

    name: str  # signal, sequence, memory, part or fault
    before: str
    after: str
    cause: Cause
    contact: Contact | None = None  # how the switch is built, of a change of an input's circuit


@dataclass(frozen=True, slots=True)
class StoryStep:
    """One tick of a story in which something changed."""

    tick: Ticks
    time: Milliseconds
    changes: tuple[StoryChange, ...]
    on_outputs: tuple[str, ...]  # physically driven outputs in this tick
    states: tuple[tuple[str, str], ...]  # (sequence, active state or 'off')


@dataclass(frozen=True, slots=True)
class Story:
    """The shortest way to a broken requirement, the least of all shortest ones."""

    headline: str  # one sentence: what is broken, when, under which fault
    steps: tuple[StoryStep, ...]  # the recording in words
    ticks: Ticks  # length
    recording: tuple[Stretch, ...]  # what everything was
    window: tuple[Ticks, Ticks] | None = None  # ticks in which the broken requirement was waiting

    @property
    def instants(self) -> Iterator[Instant]:
        """What everything was, tick by tick."""
        return instants_of(self.recording, self.ticks)

    @property
    def fault(self) -> str | None:
        """The faults that have begun by the end."""
        return self.recording[-1].instant.fault

    @property
    def start(self) -> Mapping[str, str]:
        """Where each part stood at power-on."""
        return self.recording[0].instant.parts


@dataclass(frozen=True, slots=True)
class Judgement:
    """A requirement's verdict under one fault budget."""

    word: Word
    faults: int
    tick: Milliseconds
    depth: Ticks | None = None  # of the break or the goal, or how far an undecided search got
    story: Story | None = None
    reason: str = ""  # why undecided or only not broken
    left_out: tuple[str, ...] = ()  # what cannot affect it and was not searched
    method: str = ""  # how it was found, where not by a search: a proof, or a run that a prover found

    def at_scan(self, scan: Milliseconds) -> Judgement:
        """What a search at this tick says of a machine that scans every ``scan``."""
        word = self.word.at(self.tick, scan)
        if word is self.word:
            return self
        at = format_duration(self.tick)
        return replace(
            self, word=word, reason=f"not broken at {at}, which decides nothing at {format_duration(scan)}"
        )


@dataclass(frozen=True, slots=True)
class RequirementVerdict:
    """Everything said about one requirement."""

    name: str
    pattern: str
    text: str  # the requirement in one sentence
    formula: str  # its metric temporal logic meaning
    hazard: str | None
    faults: int  # how many faults it must withstand
    judgements: tuple[Judgement, ...]  # one per fault budget, ascending
    verdict: Word  # under the faults it must withstand
    withstands: int | None  # largest budget under which it holds; None if under none
    line: int
    column: int
    why: str = ""
    names: tuple[tuple[str, str], ...] = ()  # named conditions in it, with what each stands for

    @property
    def story(self) -> Story | None:
        """Story of the first break, if there is one."""
        return next((item.story for item in self.judgements if item.story is not None), None)


class FindingKind(Enum):
    """What a check notices beyond verdicts."""

    STATE_NEVER_REACHED = "state never reached"
    EXIT_NEVER_TAKEN = "exit never taken"
    VACUOUS = "trigger never happens"
    BOUNDS = "counter leaves its bounds"
    DEADLOCK = "deadlock"
    OVERLAP = "two exits true at once"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Finding:
    """Something worth a look, with its place in the machine file."""

    kind: FindingKind
    subject: str
    message: str
    line: int
    column: int
    story: Story | None = None
    breaks: bool = False  # counts as broken (bounds)


@dataclass(frozen=True, slots=True)
class SetsCovered:
    """What a search over sets of times covered, where single situations were too many.

    ``unsure`` names what some set reports and no run could be shown of: it may or may not happen. From
    ``points`` of what is stored a tick was stepped in the deployed C, and what it led to is stored too.
    """

    keys: int  # what is left of situations when clocks and counters are left out
    sets: int
    steps: int
    exhausted: bool
    stopped_by: str
    seconds: float
    unsure: tuple[str, ...] = ()
    points: int = 0


@dataclass(frozen=True, slots=True)
class Exploration:
    """What one search covered."""

    faults: int
    tick: Milliseconds
    exhausted: bool
    stopped_by: str  # '' or 'state cap', 'memory cap', 'time limit', 'interrupt'
    states: int
    transitions: int
    depth: Ticks
    seconds: float
    key_bits: int
    bytes_per_state: float
    threads: int
    initial_states: int
    sets: SetsCovered | None = None
    slices: tuple[SliceCovered, ...] = ()

    @property
    def whole(self) -> bool:
        """Whether every reachable situation was covered: one by one, in sets, or each slice for itself."""
        if self.exhausted or (self.sets is not None and self.sets.exhausted):
            return True
        return bool(self.slices) and all(item.exploration.whole for item in self.slices)

    @property
    def all_seconds(self) -> float:
        """What its searches took together: one by one, in sets, of slices."""
        sets = 0.0 if self.sets is None else self.sets.seconds
        return self.seconds + sets + sum(item.exploration.all_seconds for item in self.slices)

    @classmethod
    def not_run(cls, faults: int, tick: Milliseconds, stopped_by: str) -> Exploration:
        """Of a search that was ended before it began, or whose figures nothing leans on."""
        return cls(
            faults=faults, tick=tick, exhausted=False, stopped_by=stopped_by, states=0, transitions=0,
            depth=0, seconds=0.0, key_bits=0, bytes_per_state=0.0, threads=0, initial_states=0,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class SliceCovered:
    """What the search of a slice covered: a part of the machine that nothing outside it can affect.

    Attributes:
        requirements: those that were judged over it; none where it was searched for findings alone.
        kept: names of its sequences, parts, inputs, outputs and memory.
        left_out: names of the others.
    """

    requirements: tuple[str, ...]
    kept: tuple[str, ...]
    left_out: tuple[str, ...]
    exploration: Exploration


def tick_caution(tick: Milliseconds, scan: Milliseconds) -> str:
    """What every verdict found at a tick other than the scan must carry; empty at the scan."""
    if tick == scan:
        return ""
    at = format_duration(tick)
    return (
        f"A tick of {at} decides nothing at the scan of {format_duration(scan)}: what is 'not broken at "
        f"{at}' may be broken there, and what is 'broken at {at}' may hold. Only a check with --tick scan "
        "tells."
    )


@dataclass(frozen=True, slots=True)
class CheckResult:
    """The whole answer of a check."""

    machine: str
    digest: str  # SHA-256 of the machine file
    version: str
    tick: Milliseconds
    scan: Milliseconds
    faults: int
    assumed: tuple[Assumption, ...]
    exclusions: tuple[tuple[str, str], ...]  # (fault, reason)
    requirements: tuple[RequirementVerdict, ...]
    findings: tuple[Finding, ...]
    exploration: tuple[Exploration, ...]
    from_cache: bool = False
    hazards: tuple[str, ...] = ()  # that the file declares, in its order

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What was assumed, in sentences."""
        return tuple(item.text for item in self.assumed)

    @property
    def tick_caution(self) -> str:
        """What verdicts at another tick than the scan are worth; empty at the scan."""
        return tick_caution(self.tick, self.scan)

    @property
    def verdict(self) -> Word:
        """Broken outranks undecided outranks holds; at a longer tick than the scan nothing holds."""
        words = {item.verdict for item in self.requirements}
        if Word.BROKEN in words or any(item.breaks for item in self.findings):
            return Word.BROKEN
        if words - {Word.HOLDS} or self.tick != self.scan or not all(item.whole for item in self.exploration):
            return Word.UNDECIDED
        return Word.HOLDS
