"""What a state diagram may show besides the states: never reached, a numbered path, time spent.

An overlay adds words, thick and dotted lines to a drawing, never a box or an arrow, so that
what is counted stays the machine.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from stillgate.controller.expressions.durations import format_duration
from stillgate.interlocks.results.recording import Recording, time_in_states
from stillgate.interlocks.results.verdict import Finding, FindingKind

from ..charts.chart import Chart
from ..charts.run_reasons import TakenExit, ways_taken

Place = tuple[str, int]
"""A way out: its state, empty for an override, and its rank from 1."""


@dataclass(frozen=True)
class Overlay:
    """Additions to the diagram of one sequence, each explained in the legend if it is there."""

    never_reached: frozenset[str] = frozenset()
    never_taken: frozenset[Place] = frozenset()
    path: Mapping[Place, tuple[int, ...]] = field(default_factory=dict)  # steps in which it was taken
    end: str = ""  # state at the end of the path
    spent: Mapping[str, str] = field(default_factory=dict)  # state to '1.2 s, 4 %'
    explanation: str = ""  # what the path or the times are of


NOTHING = Overlay()


def coverage_overlay(findings: Iterable[Finding], sequence: str) -> Overlay:
    """States and exits that an exhausted check without faults never saw."""
    states: set[str] = set()
    places: set[Place] = set()
    for finding in findings:
        if finding.kind is FindingKind.STATE_NEVER_REACHED:
            owner, _, state = finding.subject.partition(".")
            if owner == sequence:
                states.add(state)
        elif finding.kind is FindingKind.EXIT_NEVER_TAKEN:
            owner, _, rest = finding.subject.partition(": ")
            if owner == sequence:
                state, _, rank = rest.rpartition(", ")
                places.add((state, int(rank.split()[-1])))
    return Overlay(never_reached=frozenset(states), never_taken=frozenset(places))


def path_overlay(recording: Recording, chart: Chart, sequence: str, explanation: str) -> Overlay:
    """The ways a sequence took, numbered as the steps of the recording's chart."""
    numbers = {step.instant: step.number for step in chart.steps}
    path: dict[Place, tuple[int, ...]] = {}
    for instant, way in ways_taken(recording):
        if way.sequence == sequence:
            place = place_of(way)
            path[place] = (*path.get(place, ()), numbers[instant])
    end = recording.instants[-1].state_text(sequence)
    return Overlay(path=path, end=end, explanation=explanation)


def place_of(way: TakenExit) -> Place:
    """Where a way out stands in the file."""
    return (way.state, way.rank)


def time_overlay(recording: Recording, sequence: str, explanation: str) -> Overlay:
    """How long a sequence was in each of its states."""
    spent = time_in_states(recording)[sequence]
    whole = sum(spent.values()) or 1
    words = {
        state: f"{format_duration(ticks * recording.period)}, {100 * ticks / whole:.0f} %"
        if ticks
        else "never"
        for state, ticks in spent.items()
    }
    return Overlay(spent=words, explanation=explanation)
