"""Watches a simulation: every requirement judged scan by scan, and conditions of one's own.

Runs the very monitors that the check explores (``monitors``), at the scan, on the cells of a
simulation at the instant after the outputs are written. A break is reported at its first scan;
the monitor goes on. Possibility requirements (``reach``, ``from_anywhere``) are about all runs
and are not watched in one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from stillgate.controller.machine_file.field_types import Condition, Milliseconds, Ticks
from stillgate.controller.machine_file.machine import FromAnywhere, Machine, Reach, Requirement
from stillgate.controller.program.evaluate import BlockCompiler, Layout, Values
from stillgate.controller.program.footprint import cells_read, cells_written
from stillgate.controller.program.program import Assign, Block, Cell, NoteKind, Observation, Scope
from stillgate.sim_io.simulation.simulation import Simulation

from ..requirements.monitors import Monitors, lower_monitors


@dataclass(frozen=True, slots=True)
class ObservedBreak:
    """A requirement broken, or a counter that left its bounds, at a time."""

    time: Milliseconds
    requirement: str


def watched(machine: Machine, names: Iterable[str] | None = None) -> dict[str, Requirement]:
    """The requirements that one run can break; of those named, or of all."""
    chosen = machine.requirements if names is None else {name: machine.requirements[name] for name in names}
    return {name: item for name, item in chosen.items() if not isinstance(item, Reach | FromAnywhere)}


class RequirementWatch:
    """Judges a simulation while it runs.

    Args:
        simulation: what is watched, before its first step.
        requirements: names of those to watch; None for all.
        conditions: expressions whose truth is kept in ``truths`` in every scan.

    Attributes:
        broken: every break, the first of each requirement in a row of broken scans.
        broken_now: what was broken in the last scan.
        truths: the conditions at the last scan, by name.
    """

    def __init__(
        self,
        simulation: Simulation,
        *,
        requirements: Iterable[str] | None = None,
        conditions: Mapping[str, Condition] | None = None,
    ) -> None:
        self.broken: list[ObservedBreak] = []
        self.truths: dict[str, bool] = {}
        self._simulation = simulation
        machine = simulation.machine
        asked = {f"watch {name}": Reach(reach=item) for name, item in (conditions or {}).items()}
        judged = machine.model_copy(
            update={"requirements": {**watched(machine, requirements), **asked}},
        )
        self._conditions = tuple(conditions or {})
        self._around = simulation.surroundings
        controller = simulation.executive.program
        monitors = lower_monitors(
            judged, controller, self._around.plant, self._around.circuits, machine.scan, triggers=False
        )
        self._monitors = monitors
        truths = tuple(Cell(f"truth{i}", 0, 1, 0, Scope.MONITOR, persistent=False) for i in range(len(asked)))
        goals = tuple(Assign(cell, term) for cell, (_, term) in zip(truths, monitors.goals, strict=True))
        block: Block = (*monitors.block, *goals)
        own = set(monitors.cells) | set(truths)
        own |= set(cells_written(monitors.block))
        read = cells_read(block)
        self._taken_over = tuple(sorted(read - own, key=lambda cell: cell.name))
        self._layout = Layout((*own, *self._taken_over))
        self._truths = tuple(self._layout.slot(cell) for cell in truths)
        self._run = BlockCompiler(self._layout, machine.scan, self).block(block)
        self._values = self._layout.start_values()
        self.broken_now: set[str] = set()
        simulation.watchers.append(self._look)

    @property
    def monitors(self) -> Monitors:
        """The monitors that run."""
        return self._monitors

    @property
    def first_breaks(self) -> tuple[ObservedBreak, ...]:
        """The first break of every requirement that was broken."""
        first: dict[str, ObservedBreak] = {}
        for item in self.broken:
            first.setdefault(item.requirement, item)
        return tuple(first.values())

    # -- host of the monitors ----------------------------------------------------------------

    def choose(self, cell: Cell, count: int) -> int:
        """Never asked: a monitor chooses nothing."""
        raise AssertionError("a monitor chooses nothing")

    def read(self, values: Values, signal: str, observation: Observation, ticks: Ticks) -> int:
        """The controller's own view of an input."""
        assert observation is Observation.LEVEL, "every circuit has a cell"
        return int(self._simulation.executive.seen[signal])

    def note(self, kind: NoteKind, index: int) -> None:
        """Takes down a break."""
        if kind is NoteKind.BROKEN:
            self.broken_now.add(self._monitors.broken[index - self._monitors.first_index])

    def _look(self, simulation: Simulation) -> None:
        for cell in self._taken_over:
            self._values[self._layout.slot(cell)] = simulation.value(cell)
        before = self.broken_now
        left = simulation.executive.left_bounds if simulation.scanned else ()
        self.broken_now = {f"{name} in its bounds" for name in left}
        self._run(self._values)
        self.broken += [ObservedBreak(simulation.time, name) for name in sorted(self.broken_now - before)]
        self.truths = {
            name: bool(self._values[slot]) for name, slot in zip(self._conditions, self._truths, strict=True)
        }
