"""Which single faults a log of samples, or of inexact times, leaves possible.

A hypothesis is ruled out only if no run at all agrees with what the log says, and 'nothing wrong'
is judged by the same rule. So a fault is named only where a healthy machine cannot have written the log,
whatever happened between its rows; else nothing is concluded about what is wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.sim_io.faults.disturbances import Disturbance
from stillgate.sim_io.logs.log import Log, Subject

from ..replay.inexact_scans import InexactStretch, inexact_stretches
from .clusters import Cluster, ClusterModel, Levels, anywhere, clusters_of
from .explanations import Diagnosis, Refuted, Survivor, sorted_out
from .hypotheses import NOTHING, OF_OUTPUTS, FieldFault, Hypothesis, hypotheses_of
from .inexact_tracking import InexactTracker
from .output_combinations import output_vectors
from .state_set_tracking import Window


class InexactTracking:
    """All hypotheses of a machine, followed through a log that leaves much open.

    Args:
        machine: the machine.
        program: its controller, for what it can ask for at all.
        known: disturbances that are there all the time and are no fault.
        power_off_is_normal: whether power may be switched off without that being the fault.
    """

    def __init__(
        self,
        machine: Machine,
        program: ControllerProgram,
        *,
        known: Sequence[Disturbance] = (),
        power_off_is_normal: bool = False,
    ) -> None:
        self.hypotheses = hypotheses_of(machine)
        plant = anywhere(machine)
        clusters = [item for item in clusters_of(machine, plant) if item.parts or item.inputs]
        vectors = {
            item: tuple(dict.fromkeys([*output_vectors(program, item.outputs), (0,) * len(item.outputs)]))
            for item in clusters
        }

        def tracker(cluster: Cluster, hypothesis: Hypothesis) -> InexactTracker:
            model = ClusterModel(machine, plant, cluster, hypothesis, known)
            return InexactTracker(model, vectors[cluster])

        self.healthy = {item: tracker(item, NOTHING) for item in clusters if item.parts}
        self.faulty: dict[Hypothesis, dict[Cluster, InexactTracker]] = {
            hypothesis: {item: tracker(item, hypothesis) for item in clusters if item.touched_by(hypothesis)}
            for hypothesis in self.hypotheses
        }
        self._power_off_is_normal = power_off_is_normal
        self.power_lost: int | None = None

    def run(self, stretch: InexactStretch) -> None:
        """Follows scans of which the log says the same."""
        if self.power_lost is None and (stretch.power_off or stretch.power == 0):
            self.power_lost = stretch.first
        for tracker in (*self.healthy.values(), *(t for each in self.faulty.values() for t in each.values())):
            cluster = tracker.model.cluster
            if stretch.clock_set:
                tracker.forget_places()
            seen: Levels = (None,) * len(cluster.inputs)
            asked: Levels = (0,) * len(cluster.outputs)
            if stretch.power == 1:  # without power nothing is seen, whatever stands in the log
                seen = _levels(stretch.known, Subject.INPUT, cluster.inputs)
            if stretch.power != 0:
                asked = _levels(stretch.known, Subject.OUTPUT, cluster.outputs)
            tracker.run(stretch.first, stretch.end, seen, asked, stretch.observed)

    def trackers_of(self, hypothesis: Hypothesis) -> tuple[InexactTracker, ...]:
        """The trackers that a hypothesis lives by: its own, and the healthy rest."""
        own = self.faulty[hypothesis]
        return (*own.values(), *(item for cluster, item in self.healthy.items() if cluster not in own))

    def refutation(self, hypothesis: Hypothesis, scans: int) -> Refuted | None:
        """How a hypothesis fell, or None; that power was never lost cannot be told from such a log."""
        if (
            self.power_lost is not None
            and hypothesis.trouble is not FieldFault.POWER
            and not self._power_off_is_normal
        ):
            return Refuted(
                hypothesis, max(0, self.power_lost), None, "power was lost, which this does not do"
            )
        found = [
            item.contradiction for item in self.trackers_of(hypothesis) if item.contradiction is not None
        ]
        if not found:
            return None
        first = min(found, key=lambda contradiction: contradiction.scan)
        return Refuted(hypothesis, max(0, first.scan), first)

    def survivor(self, hypothesis: Hypothesis, scans: int, *, needed: bool) -> Survivor:
        """A hypothesis that nothing refuted."""
        own = self.faulty[hypothesis].values()
        windows = [item.begun() for item in own]
        begun: Window | None = None
        if hypothesis.trouble is FieldFault.POWER or (not windows and hypothesis.trouble in OF_OUTPUTS):
            begun = (-1, scans - 1)
        elif windows and None not in windows:
            # It begins once: no earlier than any of its clusters allows, and no later.
            known = [window for window in windows if window is not None]
            begun = max(low for low, _ in known), min(high for _, high in known)
        return Survivor(hypothesis, begun, needed)


def _levels(known: Mapping[tuple[Subject, str], object], subject: Subject, names: Sequence[str]) -> Levels:
    found = (known.get((subject, name)) for name in names)
    return tuple(level if isinstance(level, int) else None for level in found)


def diagnose_inexact(
    log: Log,
    machine: Machine,
    program: ControllerProgram,
    *,
    known: Sequence[Disturbance] = (),
    power_off_is_normal: bool = False,
    progress: Callable[[int], None] | None = None,
) -> Diagnosis:
    """What a log of samples, or of inexact times, leaves possible.

    Args:
        log: of this machine.
        machine: with its parts.
        program: its controller.
        known: disturbances of the healthy machine, such as contacts that bounce.
        power_off_is_normal: whether power may be switched off without that being the fault.
        progress: told the scan that was reached.
    """
    tracking = InexactTracking(machine, program, known=known, power_off_is_normal=power_off_is_normal)
    scans, begins = 0, None
    told: set[str] = set()
    for stretch in inexact_stretches(log, machine.scan):
        begins = stretch.first if begins is None else begins
        scans = stretch.end
        told |= {name for (_, name), value in stretch.known.items() if value is not None}
        told |= {item.name for item in stretch.observed}
        tracking.run(stretch)
        if progress is not None:
            progress(scans)
    survivors, not_begun, refuted = sorted_out(tracking, scans)
    listed = {name for subject, name in log.header.signals if subject is not Subject.POWER} | told
    return Diagnosis(
        scans,
        machine.scan,
        survivors,
        refuted,
        parted=None,
        unobserved=tuple(name for name in (*machine.inputs, *machine.outputs) if name not in listed),
        begins=max(0, begins or 0),  # the first row may be about a scan before time 0
        from_power_on=log.header.from_power_on,
        not_begun=not_begun,
        timing=log.header.timing,
    )
