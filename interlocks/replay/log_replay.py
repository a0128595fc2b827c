"""A log replayed: the recorded inputs through the controller, in lockstep with what was recorded.

Says what the controller did and why, in which scan recorded and computed states, memory or
outputs part for the first time, and which requirements were broken on the way. After the first
parting the replay goes on with what the file's controller computes.

A log of samples, or of times that are not exact, is replayed by ``inexact_replay``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import compress
from operator import ne

from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.sim_io.logs.log import Change, Log, RowMeaning, Signal, Subject, Value
from stillgate.sim_io.simulation.operators import rest_level

from .exit_text import exit_words
from .inexact_replay import replay_inexact
from .log_to_scans import ScanChanges, scans_of
from .native_replay import LogController
from .replay_results import Broken, Divergence, LogReplay, ReplayEvent
from .signal_values import computed_signals, value_of


@dataclass
class LogRun:
    """A log on its way through the controller.

    Attributes:
        levels: level of every input at the terminal; what is unknown has its last level.
        known: whether each input's level is known at present.
        recorded: what the log says of states, memory and outputs; None where it says nothing.
        computed: what the controller of the file makes of them, after the last scan.
        changed: what of that the last call of ``scan`` changed.
        power: whether there is power.
        signals: what is computed.
        told_from: scan in which states, memory or outputs were recorded for the first time.
        sure: whether a controller that does what the file says must be where the computed one is: it
            was seen to start, and every input was known in every scan since.
        clock_set: whether nobody knows how much time passed before the last stretch.
    """

    machine: Machine
    controller: LogController
    levels: dict[str, int]
    known: dict[str, bool]
    recorded: dict[Signal, Value] = field(default_factory=dict)
    computed: dict[Signal, Value] = field(default_factory=dict)
    changed: tuple[Signal, ...] = ()
    power: bool = True
    became_unknown: dict[str, None] = field(default_factory=dict)
    told_from: int | None = None
    sure: bool = False
    clock_set: bool = False
    _ever_known: set[str] = field(default_factory=set)
    _values: tuple[int, ...] = ()
    _differing: dict[Signal, tuple[Value, Value]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        program = self.controller.program
        self.exit_words = exit_words(self.machine)
        self._demanders = {item.name: item.demanded_by for item in program.outputs}
        self.signals = computed_signals(program)

    @staticmethod
    def of(machine: Machine) -> LogRun:
        """Before the first scan, nothing known."""
        levels = {name: int(rest_level(machine, name)) for name in machine.inputs}
        return LogRun(machine, LogController(machine), levels, dict.fromkeys(levels, False))

    def take(self, group: ScanChanges) -> list[Change]:
        """Takes what the log says of a scan; gives the changes of inputs and power."""
        seen: list[Change] = []
        self.clock_set = group.clock_set
        if group.clock_set:
            self.sure = False
        for change in group.changes:
            match change.subject:
                case Subject.INPUT if change.name in self.levels:
                    self._input(change)
                    seen.append(change)
                case Subject.POWER:
                    if change.value is not None and bool(change.value) != self.power:
                        self.power = self.sure = bool(change.value)
                        self.controller.power(on=self.power)
                        seen.append(change)
                case Subject.OUTPUT | Subject.STATE | Subject.MEMORY:
                    self.recorded[change.subject, change.name] = change.value
                    if self.told_from is None and change.value is not None:
                        self.told_from = group.scan
                    self._compare((change.subject, change.name))
                case _:
                    pass
        return seen

    def _input(self, change: Change) -> None:
        if change.value is None:
            if self.power and self.known[change.name]:
                self.became_unknown[change.name] = None
            self.known[change.name] = False
        else:
            self.levels[change.name] = int(change.value)
            self.known[change.name] = True
            self._ever_known.add(change.name)

    @property
    def untold(self) -> bool:
        """Whether the log says nothing at present of something that it tells elsewhere."""
        if self.clock_set:
            return True
        return self.power and (
            not all(self.known[name] for name in self._ever_known) or None in self.recorded.values()
        )

    def scan(self, most: int) -> int:
        """Runs up to ``most`` scans, to the next that changes something; how many they were."""
        if self.sure and self.power:
            self.sure = all(self.known.values())
        done = self.controller.run(self.levels, most)
        values, before = self.controller.values, self._values
        if values == before:
            self.changed = ()
            return done
        everything = range(len(values))
        changed = list(compress(everything, map(ne, values, before)) if before else everything)
        self._values = values
        self.changed = tuple(self.signals[i] for i in changed)
        for i in changed:
            signal = self.signals[i]
            self.computed[signal] = value_of(self.machine, signal, values[i])
            self._compare(signal)
        return done

    def _compare(self, signal: Signal) -> None:
        said, value = self.recorded.get(signal), self.computed.get(signal)
        if said is None or value is None or said == value:
            self._differing.pop(signal, None)
        else:
            self._differing[signal] = said, value

    def asked(self, output: str) -> int | None:
        """What was asked of an output in the last scan; None if that is not known.

        As recorded; else as computed if that is sure; else off where the recorded states are known and
        none of them demands it.
        """
        signal = Subject.OUTPUT, output
        said = self.recorded.get(signal)
        if said is None and self.sure:
            said = self.computed[signal]
        if said is None:
            demanders = self._demanders[output]
            states = {name: self.recorded.get((Subject.STATE, name)) for name, _ in demanders}
            if None not in states.values() and not any(states[name] == state for name, state in demanders):
                said = 0
        return None if said is None else int(said)

    def differences(self) -> tuple[tuple[Signal, Value, Value], ...]:
        """What is recorded otherwise than it is computed."""
        return tuple((signal, said, value) for signal, (said, value) in self._differing.items())


def stretches(log: Log, run: LogRun) -> Iterator[tuple[int, int, list[Change]]]:
    """Runs a log through the controller, stretch by stretch.

    Yields:
        First scan of a stretch, the scan after its last, and what inputs and power did in its
        first scan. Nothing computed changes within a stretch but in its last scan; ``run`` is as
        it was after that one.
    """
    run.sure = log.header.from_power_on
    now = 0 if run.sure else None  # in mid-run nothing is known before the first word of the log
    for group in scans_of(log, run.machine.scan):
        if now is None:
            now = group.scan
        while now < group.scan:
            run.clock_set = False
            done = run.scan(group.scan - now)
            yield now, now + done, []
            now += done
        seen = run.take(group)
        run.scan(1)
        yield now, now + 1, seen
        now += 1


def replay(log: Log, machine: Machine, *, slack: Milliseconds = 0, keep: int = 10_000) -> LogReplay:
    """Replays a log.

    Args:
        log: of this machine.
        machine: whose controller runs.
        slack: for how long recorded and computed may differ without counting as a parting; of no
            effect where the log itself leaves open what was between its rows.
        keep: how many of the last happenings to keep.

    Raises:
        ToolMissing: if there is no C compiler.
    """
    if log.header.timing.meaning is not RowMeaning.SCANS:
        return replay_inexact(log, machine, keep=keep)
    run = LogRun.of(machine)
    period, patience = machine.scan, slack // machine.scan
    kept: list[ReplayEvent] = []
    broken: list[Broken] = []
    count = 0
    divergence: Divergence | None = None
    differing: dict[Signal, tuple[int, Value, Value]] = {}
    before: dict[Signal, Value] = {}
    inputs_before: dict[str, Value] = {}
    scans = 0
    begins: int | None = None
    untold = 0
    for first, end, seen in stretches(log, run):
        scans = end
        begins = first if begins is None else begins
        untold += (end - first) * run.untold
        happened = list(_told(seen, inputs_before, first, period))
        last = end - 1
        happened += _computed(run, before, last, period)
        broken += [Broken(last, last * period, name) for name in run.controller.newly_broken]
        count += len(happened)
        kept += happened
        if len(kept) > 2 * keep:
            del kept[:-keep]
        if divergence is None:
            divergence = _divergence(run, differing, (first, last), patience)
            if divergence is not None:
                divergence = replace(divergence, sure=run.sure)
    if divergence is not None and divergence.scan == run.told_from:
        divergence = replace(divergence, at_first=True)
    return LogReplay(
        scans=scans,
        period=period,
        happenings=count,
        kept=tuple(kept[-keep:]),
        divergence=divergence,
        broken=tuple(broken),
        assumed=tuple((name, run.levels[name]) for name in _never_told(log, machine, run)),
        unknown=tuple(run.became_unknown),
        compared=tuple(signal for signal in run.signals if signal in run.recorded),
        judged=run.controller.judged,
        unjudged=run.controller.unjudged,
        begins=begins or 0,
        untold=untold,
    )


def _told(
    seen: list[Change], before: dict[str, Value], scan: int, period: Milliseconds
) -> Iterator[ReplayEvent]:
    """What the log says of inputs and power that it did not say before."""
    for item in seen:
        old = before.get(item.name)
        if item.name not in before or old != item.value:
            yield ReplayEvent(scan, scan * period, (item.subject, item.name), old, item.value)
            before[item.name] = item.value


def _computed(
    run: LogRun, before: dict[Signal, Value], scan: int, period: Milliseconds
) -> Iterator[ReplayEvent]:
    taken_now = run.controller.taken
    if not run.changed and not taken_now:
        return
    marks = [run.controller.program.exit_marks[mark] for mark in taken_now]
    reentered = {(Subject.STATE, mark.partition(": ")[0]) for mark in marks}
    for signal in dict.fromkeys((*run.changed, *sorted(reentered, key=lambda item: item[1]))):
        subject, name = signal
        taken = ""
        if subject is Subject.STATE:
            taken = next((mark for mark in marks if mark.startswith(f"{name}: ")), "")
        value = run.computed[signal]
        words = run.exit_words.get(taken, "")
        yield ReplayEvent(scan, scan * period, signal, before.get(signal), value, taken, words)
        before[signal] = value


def _divergence(
    run: LogRun,
    differing: dict[Signal, tuple[int, Value, Value]],
    stretch: tuple[int, int],
    patience: int,
) -> Divergence | None:
    """The parting, once something differs for longer than it may."""
    (first, last), period = stretch, run.machine.scan
    found = _worst(differing, last - 1, patience, period) if last > first else None
    if found is not None:
        return found
    now = {signal: (said, value) for signal, said, value in run.differences()}
    for signal in list(differing):
        if signal not in now:
            del differing[signal]
    for signal, (said, value) in now.items():
        differing.setdefault(signal, (last, said, value))
    return _worst(differing, last, patience, period)


def _worst(
    differing: dict[Signal, tuple[int, Value, Value]], scan: int, patience: int, period: Milliseconds
) -> Divergence | None:
    late = [begun for begun, _, _ in differing.values() if scan - begun >= patience]
    if not late:
        return None
    begun = min(late)
    differences = tuple(
        (signal, said, value) for signal, (since, said, value) in differing.items() if since == begun
    )
    return Divergence(begun, begun * period, differences)


def _never_told(log: Log, machine: Machine, run: LogRun) -> list[str]:
    told = set(log.header.names(Subject.INPUT)) | {name for name, known in run.known.items() if known}
    return [name for name in machine.inputs if name not in told]
