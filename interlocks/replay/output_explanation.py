"""Why an output was as it was at a moment of a log.

The C controller runs to some minutes before the moment; from there the executive goes on, scan
by scan, and gives the reason with everything it knows: demand, interlocks, every leaf with its
truth and for how long it has had it. What lasted longer than the look back is told as lasting
that long at least.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from stillgate.controller.errors import UsageError
from stillgate.controller.execution.executive import Executive
from stillgate.controller.execution.reasons import ExitReason, Reason
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.sim_io.logs.log import Log, RowMeaning, Subject, Value

from .log_replay import LogRun
from .log_to_scans import ScanChanges, scans_of

LOOK_BACK: Milliseconds = 600_000
"""How far the executive goes back; some seconds of computing."""


@dataclass(frozen=True, slots=True)
class Why:
    """An output at a moment of a log.

    Attributes:
        scan: the last scan at or before the moment.
        time: its time.
        reason: why the controller of the file asks for what it does.
        states: the active state of every sequence then.
        ways: where no active state demands the output, the ways out of those that the sequences
            which can demand it are in, as the next scan would find them with the inputs as they are.
        recorded: what the log says of the output; None where it says nothing.
        looked_back: from where on the times in the reason are known.
    """

    scan: int
    time: Milliseconds
    reason: Reason
    states: tuple[tuple[str, str | None], ...]
    recorded: Value
    looked_back: Milliseconds
    ways: tuple[ExitReason, ...] = ()


def why(log: Log, machine: Machine, output: str, at: Milliseconds) -> Why:
    """Why an output was on or off.

    Args:
        log: of this machine.
        machine: whose controller runs.
        output: its name.
        at: the moment, since the log's start.

    Raises:
        UsageError: for an output that is not there, a moment outside of the log, or a log of samples or
            of times that are not exact.
        ToolMissing: if there is no C compiler.
    """
    if log.header.timing.meaning is not RowMeaning.SCANS:
        raise UsageError(
            f"why {output} was as it was cannot be told from this log: it leaves open what the inputs were "
            "between its rows, and the reason can lie there"
        )
    executive = Executive(machine)
    executive.why(output)  # an unknown name is told before the work
    wanted = at // machine.scan
    back = _Back(executive, LogRun.of(machine), max(0, wanted - LOOK_BACK // machine.scan))
    last = -1
    for group in scans_of(log, machine.scan):
        if last < 0 and not log.header.from_power_on:
            if wanted < group.scan:
                raise UsageError(
                    f"the log begins at {format_duration(group.scan * machine.scan)}; say a later time"
                )
            back.begin(group.scan)
        last = group.scan
        back.advance(min(last, wanted + 1))
        if last > wanted:
            break
        back.take(group)
    if wanted > last:
        raise UsageError(
            f"the log ends at {format_duration(max(0, last) * machine.scan)}; say an earlier time"
        )
    back.advance(wanted + 1)
    reason = executive.why(output)
    waiting = () if reason.demanded_by else dict.fromkeys(name for name, _ in reason.demanders)
    return Why(
        scan=wanted,
        time=wanted * machine.scan,
        reason=reason,
        states=tuple(executive.states.items()),
        recorded=back.run.recorded.get((Subject.OUTPUT, output)),
        looked_back=back.start * machine.scan,
        ways=tuple(way for name in waiting for way in executive.exits(name)),
    )


class _Back:
    """A log on its way: through the C controller up to ``start``, then through the executive."""

    def __init__(self, executive: Executive, run: LogRun, start: int) -> None:
        self.executive, self.run, self.start = executive, run, start
        self.now = 0

    def begin(self, scan: int) -> None:
        """The log begins in mid-run: of the scans before nothing is known, and none is run."""
        self.now, self.start = scan, max(self.start, scan)
        if scan and self.now == self.start:
            self._change_over()

    def advance(self, scan: int) -> None:
        """Runs the scans before ``scan``."""
        while self.now < scan:
            if self.now >= self.start:
                levels = self.run.levels.items()
                self.executive.inputs.update((name, bool(level)) for name, level in levels)
                self.executive.scan()
                self.now += 1
                continue
            self.now += self.run.scan(min(scan, self.start) - self.now)
            if self.now == self.start:
                self._change_over()

    def take(self, group: ScanChanges) -> None:
        """Takes what the log says of the next scan."""
        power = self.run.power
        self.run.take(group)
        if self.now >= self.start and self.run.power != power:
            (self.executive.power_on if self.run.power else self.executive.power_off)()

    def _change_over(self) -> None:
        """Puts the executive where the C controller is."""
        executive = self.executive
        fresh = executive.snapshot()
        began = self.start * self.run.machine.scan
        snapshot = replace(fresh, scans=self.start, stamps=replace(fresh.stamps, began=began))
        if self.run.power:
            cells = self.run.controller.cells()
            executive.restore(replace(snapshot.with_cells(cells), scanned=True))
        else:
            executive.restore(snapshot)
            executive.power_off()
