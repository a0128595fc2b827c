"""What a log comes to when its inputs run through the controller."""

from __future__ import annotations

from dataclasses import dataclass

from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.sim_io.logs.log import EXACT, Signal, Timing, Value


@dataclass(frozen=True, slots=True)
class ReplayEvent:
    """One thing that a replay saw."""

    scan: int
    time: Milliseconds
    signal: Signal
    before: Value
    after: Value
    exit: str = ""  # of a state: the exit that was taken, as coverage spells it
    exit_words: str = ""  # the same exit with what it waited for, as the file says it


@dataclass(frozen=True, slots=True)
class Broken:
    """A requirement, or a counter's bounds, newly broken."""

    scan: int
    time: Milliseconds
    name: str


@dataclass(frozen=True, slots=True)
class Divergence:
    """Where log and logic part: the first scan, and everything that differs in it."""

    scan: int
    time: Milliseconds
    differences: tuple[tuple[Signal, Value, Value], ...]  # signal, recorded, computed
    at_first: bool = False  # where the log's first states, memory or outputs are: perhaps in mid-run
    sure: bool = True  # whether everything before it was known, from a cold start on


@dataclass(frozen=True, slots=True)
class LogReplay:
    """What a log comes to when its inputs run through the controller.

    Attributes:
        scans: how many there are from time 0 of the log to its end.
        begins: the scan in which it begins to say something; 0 where it begins at power-on.
        happenings: how many things changed; the last of them are kept in ``kept``.
        assumed: inputs the log says nothing about, with the level they were taken to have.
        unknown: inputs that became unknown on the way and were taken to stay as they were.
        compared: signals that were recorded and so could be compared.
        unjudged: requirements that no log can judge, with the parts they read.
        untold: scans of which the log does not say everything that it tells elsewhere, or of which it
            cannot be told what the controller computed in them.
        timing: what the times of the log say of the scans.
    """

    scans: int
    period: Milliseconds
    happenings: int
    kept: tuple[ReplayEvent, ...]
    divergence: Divergence | None
    broken: tuple[Broken, ...]
    assumed: tuple[tuple[str, int], ...]
    unknown: tuple[str, ...]
    compared: tuple[Signal, ...]
    judged: tuple[str, ...]
    unjudged: tuple[tuple[str, tuple[str, ...]], ...]
    begins: int = 0
    untold: int = 0
    timing: Timing = EXACT

    @property
    def agrees(self) -> bool:
        """Whether recorded and computed are the same throughout."""
        return self.divergence is None
