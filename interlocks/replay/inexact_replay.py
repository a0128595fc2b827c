"""The replay of a log that leaves open what was between its rows: every run that it allows at once.

Where an input is not known in a scan, the controller is run with each level that it may have had, and a
run stays as long as what it computes is what the log tells. So log and logic part only where no run is
left; while some are, they may agree. A run needs to begin somewhere: with a log that is not known to
begin at power-on, and where there come to be too many runs, nothing can be told of what was computed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import product

from stillgate.controller.machine_file.machine import Machine
from stillgate.sim_io.logs.log import Log, Signal, Subject, Value
from stillgate.sim_io.simulation.operators import rest_level

from .inexact_scans import InexactStretch, inexact_stretches
from .native_replay import LogController
from .replay_results import Broken, Divergence, LogReplay, ReplayEvent
from .signal_values import computed_signals, value_of

MOST_RUNS = 1000
"""Runs of the controller side by side; beyond that nothing can be told any more."""

MOST_UNKNOWN = 8
"""Inputs that may be unknown in one scan while every combination of them is run."""

Run = tuple[bytes, frozenset[str]]
"""All that a controller and its requirements remember, and the requirements broken on the way."""


@dataclass(frozen=True, slots=True)
class _Fallen:
    """A run that does not show what the log tells."""

    scan: int
    differences: tuple[tuple[Signal, Value, Value], ...]


class _Runs:
    """Every run of the controller that agrees with a log so far.

    Attributes:
        lost: whether nothing can be told any more of what was computed.
        parting: where the last run fell.
    """

    def __init__(self, log: Log, machine: Machine) -> None:
        self.machine = machine
        self.controller = LogController(machine)
        self.signals = computed_signals(self.controller.program)
        self.lost = not log.header.from_power_on
        self.divergence: _Fallen | None = None
        self.broken_at: dict[str, int] = {}
        told = set(log.header.names(Subject.INPUT))
        self.assumed = {name: int(rest_level(machine, name)) for name in machine.inputs if name not in told}
        self.runs: set[Run] = {(self.controller.snapshot(), frozenset())}

    def take(self, stretch: InexactStretch) -> None:
        """Goes on through scans of which the log says the same."""
        known = {**{(Subject.INPUT, name): level for name, level in self.assumed.items()}, **stretch.known}
        unknown = [name for name in self.machine.inputs if known.get((Subject.INPUT, name)) is None]
        if stretch.clock_set or stretch.power_off or stretch.power != 1 or len(unknown) > MOST_UNKNOWN:
            self.lost = True
        if self.lost or self.divergence is not None:
            return
        levels = {name: int(known.get((Subject.INPUT, name)) or 0) for name in self.machine.inputs}
        told = {signal: value for signal in self.signals if (value := known.get(signal)) is not None}
        if not unknown:
            self._go_on(stretch.first, stretch.end, [levels], told)
            return
        ways = [
            {**levels, **dict(zip(unknown, choice, strict=True))}
            for choice in product((0, 1), repeat=len(unknown))
        ]
        for scan in range(stretch.first, stretch.end):
            self._go_on(scan, scan + 1, ways, told)
            if self.lost or self.divergence is not None:
                return

    def _go_on(self, first: int, end: int, ways: list[dict[str, int]], told: Mapping[Signal, Value]) -> None:
        after: set[Run] = set()
        fallen: list[_Fallen] = []
        for run in self.runs:
            for levels in ways:
                found = self._run(run, first, end, levels, told)
                if isinstance(found, _Fallen):
                    fallen.append(found)
                else:
                    after.add(found)
            if len(after) > MOST_RUNS:
                self.lost = True
                return
        if not after:
            self.divergence = max(fallen, key=lambda item: item.scan)
        self.runs = after

    def _run(
        self, run: Run, first: int, end: int, levels: Mapping[str, int], told: Mapping[Signal, Value]
    ) -> Run | _Fallen:
        """One run through scans with the same inputs, up to the first in which it differs."""
        memory, broken = run
        self.controller.restore(memory)
        scan = first
        while scan < end:
            scan += self.controller.run(levels, end - scan)
            for name in self.controller.newly_broken:
                broken |= {name}
                self.broken_at[name] = max(self.broken_at.get(name, 0), scan - 1)
            computed = {
                signal: value_of(self.machine, signal, value)
                for signal, value in zip(self.signals, self.controller.values, strict=True)
                if signal in told
            }
            differing = [
                (signal, told[signal], value) for signal, value in computed.items() if told[signal] != value
            ]
            if differing:
                return _Fallen(scan - 1, tuple(differing))
        return self.controller.snapshot(), broken


def replay_inexact(log: Log, machine: Machine, *, keep: int) -> LogReplay:
    """Replays a log of samples, or of times that are not exact.

    Args:
        log: of this machine.
        machine: whose controller runs.
        keep: how many of the last happenings to keep.

    Raises:
        ToolMissing: if there is no C compiler.
    """
    runs = _Runs(log, machine)
    period = machine.scan
    scans, untold, begins = 0, 0, None
    recorded = [signal for signal in runs.signals if signal in log.header.signals]
    for stretch in inexact_stretches(log, period):
        begins = stretch.first if begins is None else begins
        scans = stretch.end
        runs.take(stretch)
        if runs.lost or runs.divergence or any(stretch.known.get(signal) is None for signal in recorded):
            untold += stretch.end - stretch.first
    begins = max(0, begins or 0)  # the first row may be about a scan before time 0
    untold = min(untold, scans - begins)
    happenings = tuple(_told(log, period))
    divergence = None
    if runs.divergence is not None:
        divergence = Divergence(
            runs.divergence.scan, runs.divergence.scan * period, runs.divergence.differences
        )
    everywhere = {name for name in runs.broken_at if all(name in broken for _, broken in runs.runs)}
    return LogReplay(
        scans=scans,
        period=period,
        happenings=len(happenings),
        kept=happenings[-keep:],
        divergence=divergence,
        broken=tuple(
            Broken(scan, scan * period, name)
            for name, scan in sorted(runs.broken_at.items(), key=lambda item: item[1])
            if name in everywhere and runs.runs and not runs.lost
        ),
        assumed=tuple(runs.assumed.items()),
        unknown=(),
        compared=tuple(recorded),
        judged=() if runs.lost else runs.controller.judged,
        unjudged=runs.controller.unjudged,
        begins=begins,
        untold=untold,
        timing=log.header.timing,
    )


def _told(log: Log, period: int) -> Iterator[ReplayEvent]:
    """What the log tells as it tells it, at the times of its rows."""
    before: dict[Signal, Value] = {}
    for change in log.changes():
        signal = change.subject, change.name
        if change.subject is Subject.EVENT or change.value is None or before.get(signal) == change.value:
            continue
        yield ReplayEvent(change.time // period, change.time, signal, before.get(signal), change.value)
        before[signal] = change.value
