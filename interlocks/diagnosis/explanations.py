"""What a log comes to: which hypotheses it rules out, and by what, and which explain it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.sim_io.logs.log import EXACT, Timing

from .hypotheses import NOTHING, FieldFault, Hypothesis
from .state_set_tracking import Contradiction, Window


@dataclass(frozen=True, slots=True)
class Refuted:
    """A hypothesis that the log rules out."""

    hypothesis: Hypothesis
    scan: int
    contradiction: Contradiction | None  # None: see ``words``
    words: str = ""


@dataclass(frozen=True, slots=True)
class Survivor:
    """A hypothesis that agrees with everything recorded.

    Attributes:
        begun: scans in which the fault may have begun, -1 standing for before the log; None for
            'nothing wrong'.
        needed: whether the log cannot be explained without a fault, so that this one, if it is
            the one, has begun by now.
        lost_track: the scan from which on it was not followed any more (too many situations),
            so that it may still be refuted by what came later; None if it was to the end.
    """

    hypothesis: Hypothesis
    begun: Window | None
    needed: bool
    lost_track: int | None = None


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What a log says of what may be wrong.

    Attributes:
        scans: how many there are from time 0 of the log to its end.
        survivors: the best pinned down first.
        refuted: every other hypothesis, in the order in which they fell.
        parted: the scan in which the controller did for the first time what the file does not say.
        unobserved: inputs and outputs the log says nothing about.
        parted_at_first: whether that was where the log's first states or outputs are, so that it may
            have begun in mid-run.
        computed: outputs the log says nothing about, but which follow from its inputs.
        begins: the scan in which the log begins to say something; 0 where it begins at power-on.
        from_power_on: whether it is known to begin with a cold start.
        not_begun: where no fault is needed, the faults that would have shown by now.
        parted_sure: whether everything before ``parted`` was known, from a cold start on.
        timing: what the times of the log say of the scans; in a log of samples, or of times that are not
            exact, nothing is said of the controller.
    """

    scans: int
    period: Milliseconds
    survivors: tuple[Survivor, ...]
    refuted: tuple[Refuted, ...]
    parted: int | None
    unobserved: tuple[str, ...]
    parted_at_first: bool = False
    computed: tuple[str, ...] = ()
    begins: int = 0
    from_power_on: bool = True
    not_begun: tuple[Hypothesis, ...] = ()
    parted_sure: bool = True
    timing: Timing = EXACT

    @property
    def healthy(self) -> bool:
        """Whether the log can be explained without a fault."""
        return any(item.hypothesis == NOTHING for item in self.survivors)

    @property
    def decided(self) -> bool:
        """Whether each was followed to the end, and the log leaves nothing open between its rows."""
        loose = self.timing != EXACT
        return not (loose and self.healthy) and all(item.lost_track is None for item in self.survivors)


class Followed(Protocol):
    """All hypotheses of a machine at the end of a log."""

    hypotheses: tuple[Hypothesis, ...]

    def refutation(self, hypothesis: Hypothesis, scans: int) -> Refuted | None:
        """How a hypothesis fell, or None."""

    def survivor(self, hypothesis: Hypothesis, scans: int, *, needed: bool) -> Survivor:
        """A hypothesis that nothing refuted."""


def sorted_out(
    tracking: Followed, scans: int
) -> tuple[tuple[Survivor, ...], tuple[Hypothesis, ...], tuple[Refuted, ...]]:
    """Survivors, the best pinned down first; those that would have shown, if none is needed; the fallen."""
    refuted: list[Refuted] = []
    left: list[Hypothesis] = []
    for hypothesis in tracking.hypotheses:
        fall = tracking.refutation(hypothesis, scans)
        if fall is None:
            left.append(hypothesis)
        else:
            refuted.append(fall)
    needed = NOTHING not in left
    survivors = [tracking.survivor(item, scans, needed=needed) for item in left]
    not_begun: tuple[Hypothesis, ...] = ()
    if not needed:
        # Without need for a fault, one that cannot have begun by now explains nothing.
        idle = [item for item in survivors if item.hypothesis != NOTHING and item.begun is None]
        not_begun = tuple(item.hypothesis for item in idle)
        survivors = [item for item in survivors if item not in idle]
    by_scan = sorted(refuted, key=lambda item: item.scan)
    return tuple(sorted(survivors, key=_rank)), not_begun, tuple(by_scan)


def _rank(item: Survivor) -> tuple[bool, bool, bool, int]:
    """Best pinned down first: nothing wrong; then the narrower the time in which the fault began.

    An intermittent contact can look like any other fault that opens it, so it comes behind those.
    """
    window = item.begun or (0, 0)
    return (
        item.hypothesis != NOTHING,
        item.lost_track is not None,
        item.hypothesis.trouble is FieldFault.INPUT_LOOSE,
        window[1] - window[0],
    )
