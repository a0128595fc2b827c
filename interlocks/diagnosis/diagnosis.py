"""Which single fault explains a log: every hypothesis followed exactly until the log refutes it.

Consistency-based diagnosis (Reiter 1987; de Kleer and Williams 1987) of the closed loop: given
what the controller saw and asked for, a hypothesis stays as long as some behaviour of the
parts and of the fault shows exactly what was recorded. Sound for every behaviour that the
parts of the machine file have; a machine that does what its parts do not is told as such: no
hypothesis is left.

The controller is taken at its word: what it asked for is read from the log, and computed from
the inputs where the log does not say it, as long as these were known from a cold start on; else
it may have asked for anything, and the parts that it moves may be anywhere. That it does what the file
says is the replay's question, which is asked along the way.

A log of samples, or of times that are not exact, leaves open what was between its rows: it is followed
by ``inexact_diagnosis``, which claims no more than every possible run agrees on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from stillgate.controller.machine_file.machine import Machine
from stillgate.sim_io.faults.disturbances import Disturbance
from stillgate.sim_io.logs.log import Log, RowMeaning, Subject

from ..replay.log_replay import LogRun, stretches
from .clusters import ClusterModel, Levels, anywhere, clusters_of
from .explanations import Diagnosis, Refuted, Survivor, sorted_out
from .hypotheses import NOTHING, OF_OUTPUTS, FieldFault, Hypothesis, hypotheses_of
from .inexact_diagnosis import diagnose_inexact
from .state_set_tracking import Tracker


class Tracking:
    """All hypotheses of a machine, followed scan by scan.

    Args:
        machine: the machine.
        hypotheses: what may be wrong; everything by default.
        known: disturbances that are there all the time and are no fault.
        power_off_is_normal: whether power may be switched off without that being the fault.
    """

    def __init__(
        self,
        machine: Machine,
        hypotheses: Iterable[Hypothesis] | None = None,
        *,
        known: Sequence[Disturbance] = (),
        power_off_is_normal: bool = False,
    ) -> None:
        self.machine = machine
        self.known = tuple(known)
        self.hypotheses = tuple(hypotheses_of(machine) if hypotheses is None else hypotheses)
        plant = anywhere(machine)
        self.clusters = clusters_of(machine, plant)
        self.healthy = {
            item: Tracker(ClusterModel(machine, plant, item, NOTHING, known))
            for item in self.clusters
            if item.parts
        }
        self.faulty: dict[Hypothesis, Tracker] = {}
        for hypothesis in self.hypotheses:
            touched = [item for item in self.clusters if item.touched_by(hypothesis)]
            if touched:
                joint = touched[0]
                for item in touched[1:]:
                    joint = joint.joined(item)
                model = ClusterModel(machine, plant, joint, hypothesis, known)
                self.faulty[hypothesis] = Tracker(model)
        self._power_off_is_normal = power_off_is_normal
        self.power_lost: int | None = None

    def run(
        self,
        first: int,
        end: int,
        inputs: dict[str, int | None],
        outputs: Mapping[str, int | None],
        *,
        power: bool,
    ) -> None:
        """Follows scans that all show the same; None stands for what is not known."""
        if not power and self.power_lost is None:
            self.power_lost = first
        for tracker in (*self.healthy.values(), *self.faulty.values()):
            cluster = tracker.model.cluster
            seen: Levels = tuple(inputs.get(name) if power else None for name in cluster.inputs)
            asked: Levels = tuple(outputs[name] if power else 0 for name in cluster.outputs)
            tracker.run(first, end, seen, asked)

    def forget_places(self) -> None:
        """Nobody knows how much time passes here: the parts may be anywhere afterwards."""
        for tracker in (*self.healthy.values(), *self.faulty.values()):
            if tracker.followed:
                tracker.forget_places()

    def trackers_of(self, hypothesis: Hypothesis) -> tuple[Tracker, ...]:
        """The trackers that a hypothesis lives by: its own, and the healthy rest."""
        own = self.faulty.get(hypothesis)
        rest = [
            tracker
            for cluster, tracker in self.healthy.items()
            if own is None or not set(cluster.parts) & set(own.model.cluster.parts)
        ]
        return (*([own] if own else []), *rest)

    def refutation(self, hypothesis: Hypothesis, scans: int) -> Refuted | None:
        """How a hypothesis fell, or None."""
        if hypothesis.trouble is FieldFault.POWER:
            if self.power_lost is None:
                return Refuted(hypothesis, scans - 1, None, "power was there all the time")
        elif self.power_lost is not None and not self._power_off_is_normal:
            return Refuted(hypothesis, self.power_lost, None, "power was lost, which this does not do")
        found = [
            item.contradiction for item in self.trackers_of(hypothesis) if item.contradiction is not None
        ]
        if not found:
            return None
        first = min(found, key=lambda contradiction: contradiction.scan)
        return Refuted(hypothesis, first.scan, first)

    def survivor(self, hypothesis: Hypothesis, scans: int, *, needed: bool) -> Survivor:
        """A hypothesis that nothing refuted."""
        own = self.faulty.get(hypothesis)
        begun = own.begun() if own is not None else None
        if own is None and hypothesis.trouble in OF_OUTPUTS:
            begun = (-1, scans - 1)  # an output that moves no part shows nothing, whenever it began
        if hypothesis.trouble is FieldFault.POWER and self.power_lost is not None:
            begun = (self.power_lost, self.power_lost)
        lost = [item.overflowed for item in self.trackers_of(hypothesis) if item.overflowed is not None]
        return Survivor(hypothesis, begun, needed, min(lost, default=None))


def diagnose(
    log: Log,
    machine: Machine,
    *,
    known: Sequence[Disturbance] = (),
    power_off_is_normal: bool = False,
    progress: Callable[[int], None] | None = None,
) -> tuple[Diagnosis, Tracking | None, LogRun]:
    """Follows every hypothesis through a log.

    Args:
        log: of this machine.
        machine: with its parts.
        known: disturbances of the healthy machine, such as contacts that bounce.
        power_off_is_normal: whether power may be switched off without that being the fault.
        progress: told the scan that was reached.

    Returns:
        The diagnosis; the trackers and the controller as they are at the end of the log, for
        asking what to test next. No trackers of a log that leaves open what was between its rows.

    Raises:
        ToolMissing: if there is no C compiler.
    """
    run = LogRun.of(machine)
    if log.header.timing.meaning is not RowMeaning.SCANS:
        loosely = diagnose_inexact(
            log, machine, run.controller.program,
            known=known, power_off_is_normal=power_off_is_normal, progress=progress,
        )  # fmt: skip
        return loosely, None, run
    tracking = Tracking(machine, known=known, power_off_is_normal=power_off_is_normal)
    scans = begins = 0
    parted: int | None = None
    pending: _Stretch | None = None
    always_sure = parted_sure = True
    for first, end, _ in stretches(log, run):
        if pending is None:
            begins = first
        scans = end
        always_sure = always_sure and (run.sure or not run.power)
        now = _Stretch(
            first, end,
            {name: level if run.known[name] else None for name, level in run.levels.items()},
            {name: run.asked(name) for name in machine.outputs},
            run.power,
        )  # fmt: skip
        if run.clock_set:
            tracking.forget_places()
        # Computed values are those of a stretch's last scan; all before it were as at its beginning.
        for item in _split(pending, now):
            tracking.run(item.first, item.end, item.inputs, item.outputs, power=item.power)
        pending = now
        if parted is None and run.differences():
            parted, parted_sure = end - 1, run.sure
        if progress is not None:
            progress(end)
    survivors, not_begun, refuted = sorted_out(tracking, scans)
    silent_inputs = [name for name in machine.inputs if name not in _recorded(log, Subject.INPUT, run)]
    silent_outputs = [name for name in machine.outputs if (Subject.OUTPUT, name) not in run.recorded]
    found = Diagnosis(
        scans,
        machine.scan,
        survivors,
        refuted,
        parted,
        (*silent_inputs, *(() if always_sure else silent_outputs)),
        parted is not None and parted == run.told_from,
        tuple(silent_outputs) if always_sure else (),
        begins,
        log.header.from_power_on,
        not_begun,
        parted_sure,
    )
    return found, tracking, run


@dataclass(frozen=True, slots=True)
class _Stretch:
    first: int
    end: int
    inputs: dict[str, int | None]
    outputs: dict[str, int | None]
    power: bool


def _split(before: _Stretch | None, now: _Stretch) -> list[_Stretch]:
    """A stretch with its own outputs in its last scan only, and those before it in the rest."""
    if before is None or now.end - now.first == 1 or before.outputs == now.outputs:
        return [now]
    middle = now.end - 1
    return [
        _Stretch(now.first, middle, now.inputs, before.outputs, now.power),
        _Stretch(middle, now.end, now.inputs, now.outputs, now.power),
    ]


def _recorded(log: Log, subject: Subject, run: LogRun) -> set[str]:
    return set(log.header.names(subject)) | {name for name, known in run.known.items() if known}
