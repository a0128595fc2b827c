"""A machine run for its looks: the executive and the parts, scan by scan, at the real period.

One step::

    operator ─► circuits from where the parts stand ─► switches ─► scan ─► outputs as driven
             ─► what drives each part ─► watchers look ─► parts move

Whatever operator, switches and parts leave open is drawn from the seed (see ``seeded_choices``), so a run
is reproduced by its seed. Inputs that no part senses stay as they were last set, unless an
operator moves them; at the start a normally closed contact conducts and a normally open one
does not.

Not modelled: anything between two scans.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from stillgate.controller.errors import UsageError
from stillgate.controller.execution.executive import Executive
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.evaluate import BlockCode, BlockCompiler, Layout, TermCode
from stillgate.controller.program.program import Cell

from ..faults.disturbances import Disturbance, DisturbanceKind, contradict
from ..faults.fault_list import Fault, FaultKind
from .environment import Surroundings, surround
from .operators import OperatorKind
from .seeded_choices import SeededChoices, one_name_a_choice

_KINDS = {
    FaultKind.INPUT_ON: DisturbanceKind.STUCK_ON,
    FaultKind.OUTPUT_ON: DisturbanceKind.STUCK_ON,
    FaultKind.INPUT_OFF: DisturbanceKind.STUCK_OFF,
    FaultKind.OUTPUT_OFF: DisturbanceKind.STUCK_OFF,
    FaultKind.POWER: DisturbanceKind.POWER_LOST,
}


def disturbance_of(fault: Fault) -> Disturbance:
    """A single fault of the check as a disturbance of the simulation."""
    return Disturbance(_KINDS[fault.kind], (fault.subject,) if fault.subject else ())


@dataclass(frozen=True, slots=True)
class Frame:
    """What everything was in one scan, after its outputs were written."""

    time: Milliseconds
    circuits: Mapping[str, bool]  # healthy circuit of every input
    states: Mapping[str, str | None]  # None without power
    outputs: Mapping[str, bool]  # as physically driven
    memory: Mapping[str, int]
    parts: Mapping[str, str]  # where each part stands, in words
    taken: tuple[str, ...]  # exits taken
    disturbances: tuple[str, ...] = ()  # names of those that are there
    wired: Mapping[str, bool] | None = None  # what reaches the terminal of every input
    scanned: bool = True  # False where the scan before took too long, or without power
    forced: tuple[str, ...] = ()  # outputs that are driven otherwise than the controller asks

    @property
    def fault(self) -> str | None:
        """The first disturbance that is there."""
        return next(iter(self.disturbances), None)


Watcher = Callable[["Simulation"], None]
"""Called in every step at the instant after the outputs are written."""


class Simulation:
    """A machine with its surroundings.

    Args:
        machine: the machine.
        seed: of everything that is left open, where the parts stand at the start included.
        fault: a single fault that is there from the start.
        disturbances: what is there from the start besides.
        operator: who moves the free inputs; None for nobody but ``set_input``.

    Attributes:
        executive: the controller, to be asked for reasons.
        watchers: functions that look at every step, such as monitors of requirements.
        scanned: whether the controller scanned in the last step.

    Raises:
        UsageError: if two disturbances contradict each other.
    """

    def __init__(
        self,
        machine: Machine,
        *,
        seed: int = 0,
        fault: Fault | None = None,
        disturbances: Iterable[Disturbance] = (),
        operator: OperatorKind | None = None,
    ) -> None:
        self.machine = machine
        self.executive = Executive(machine)
        self.watchers: list[Watcher] = []
        self.scanned = False
        self._seed, self._operator = seed, operator
        self._scan = 0
        self._dark = False
        self._fault: Fault | None = None
        self._known = tuple(dict.fromkeys(disturbances))
        self._build(self._known)
        self._set_values(self._layout.start_values())
        self._copy_states()
        self._begin(self._values)
        for item in self._known:
            self.inject(item)
        self.fault = fault

    # -- what can be asked -----------------------------------------------------------------

    @property
    def free_inputs(self) -> tuple[str, ...]:
        """Inputs that may be set: those no part senses."""
        return tuple(self._around.free)

    @property
    def time(self) -> Milliseconds:
        """Time of the scan that comes next, or while watchers look, of the present one."""
        return self._scan * self.machine.scan

    @property
    def disturbances(self) -> tuple[Disturbance, ...]:
        """Those that are there now."""
        return tuple(item for item, slot in self._present.items() if self._values[slot])

    @property
    def surroundings(self) -> Surroundings:
        """The statements that run, with their cells."""
        return self._around

    def value(self, cell: Cell) -> int:
        """Value of a cell of the surroundings or of the controller."""
        if self._layout.has(cell):
            return self._values[self._layout.slot(cell)]
        return self.executive.value(cell)

    # -- what can be done --------------------------------------------------------------------

    @property
    def fault(self) -> Fault | None:
        """The single fault that is there, besides other disturbances."""
        return self._fault

    @fault.setter
    def fault(self, fault: Fault | None) -> None:
        if self._fault is not None:
            self.clear(disturbance_of(self._fault))
        if fault is not None:
            self.inject(disturbance_of(fault))
        self._fault = fault

    def set_input(self, name: str, conducts: bool) -> None:
        """Sets a circuit from the next scan on.

        Raises:
            UsageError: if there is no such input, or a part moves its switch.
        """
        free = ", ".join(self._around.free)
        if name in self._around.plant.circuits:
            raise UsageError(f"{name} is moved by a part and cannot be set; set one of {free}")
        if name not in self._around.free:
            raise UsageError(f"there is no input {name}; inputs that can be set: {free}")
        self._values[self._layout.slot(self._around.circuits[name])] = int(conducts)

    def inject(self, disturbance: Disturbance) -> None:
        """Lets a disturbance begin with the next scan.

        Raises:
            UsageError: if it contradicts one that is there.
        """
        for other in self.disturbances:
            if contradict(disturbance, other):
                raise UsageError(f"'{disturbance}' and '{other}' cannot be there together")
        if disturbance not in self._around.switches.present:
            self._learn((*self._known, disturbance))
        self._values[self._layout.slot(self._around.switches.present[disturbance])] = 1

    def clear(self, disturbance: Disturbance) -> None:
        """Lets a disturbance end with the next scan; nothing if it is not there."""
        cell = self._around.switches.present.get(disturbance)
        if cell is not None:
            self._values[self._layout.slot(cell)] = 0

    def power(self, *, on: bool) -> None:
        """Switches the controller's power off or on from the next scan on; on means a cold start."""
        self._values[self._layout.slot(self._around.switches.cut)] = int(not on)

    def step(self) -> Frame:
        """One scan and the motion of the parts after it."""
        values = self._values
        self._choices.scan = self._scan
        self._operate(values)
        self._sense(values)
        self._before(values)
        wired = {name: bool(code(values)) for name, code in self._wired.items()}
        scanned = self.scanned = self._scan_controller(wired)
        for name, on in self.executive.outputs.items():
            values[self._asked[name]] = int(on)
        self._copy_states()
        self._after(values)
        self._conditions(values)
        frame = self._frame(wired, scanned)
        for watcher in self.watchers:
            watcher(self)
        self._moves(values)
        self._scan += 1
        return frame

    # -- inside ------------------------------------------------------------------------------

    def _learn(self, known: tuple[Disturbance, ...]) -> None:
        """Lowers anew with further disturbances; what everything remembers stays."""
        old, layout = self._values, self._layout
        self._known = known
        self._build(known)
        values = self._layout.start_values()
        for cell in layout.cells:
            values[self._layout.slot(cell)] = old[layout.slot(cell)]
        self._set_values(values)

    def _build(self, known: tuple[Disturbance, ...]) -> None:
        around = surround(self.machine, self.executive.program, disturbances=known, operator=self._operator)
        switches, plant = around.switches, around.plant
        self._around = around
        self._layout = Layout((*around.cells, *(item.active for item in self.executive.program.sequences)))
        named = one_name_a_choice(
            around.begin,
            around.operate,
            switches.before,
            switches.after,
            plant.moves,
            events=plant.events,
        )
        self._choices = SeededChoices(self._seed, self._layout, self.machine.scan, named.events)
        compiler = BlockCompiler(self._layout, self.machine.scan, self._choices)
        codes: list[BlockCode] = [compiler.block(block) for block in named.blocks]
        self._begin, self._operate, self._before, self._after, self._moves = codes
        self._sense = compiler.block(around.sense)
        self._conditions = compiler.block(plant.conditions)
        self._wired: dict[str, TermCode] = {
            name: compiler.term(term) for name, term in switches.wired.items()
        }

        slot = self._layout.slot
        self._asked = {name: slot(cell) for name, cell in around.asked.items()}
        self._driven = {name: slot(cell) for name, cell in plant.driven.items()}
        self._circuits = {name: slot(cell) for name, cell in around.circuits.items()}
        self._active = {item.active: slot(item.active) for item in self.executive.program.sequences}
        self._present = {item: slot(cell) for item, cell in switches.present.items()}
        self._parts = [(part, [(cell, slot(cell)) for cell in part.cells]) for part in plant.parts]
        self._lost, self._late = slot(switches.lost), slot(switches.late)

    def _set_values(self, values: list[int]) -> None:
        self._values = self._choices.values = values

    def _copy_states(self) -> None:
        for cell, slot in self._active.items():
            self._values[slot] = self.executive.value(cell)

    def _scan_controller(self, wired: dict[str, bool]) -> bool:
        """Power and one scan of the controller; whether there was a scan."""
        lost = bool(self._values[self._lost])
        if lost and not self._dark:
            self.executive.power_off()
        elif self._dark and not lost:
            self.executive.power_on()
        self._dark = lost
        for name, level in wired.items():
            self.executive.inputs[name] = level
        if self._values[self._late] and not lost:
            return False
        self.executive.scan()
        return self.executive.powered

    def _frame(self, wired: dict[str, bool], scanned: bool) -> Frame:
        values = self._values
        return Frame(
            time=self.time,
            circuits={name: bool(values[slot]) for name, slot in self._circuits.items()},
            states=dict(self.executive.states),
            outputs={name: bool(values[slot]) for name, slot in self._driven.items()},
            memory=dict(self.executive.memory),
            parts={
                part.name: part.describe({cell: values[slot] for cell, slot in slots})
                for part, slots in self._parts
            },
            taken=self.executive.taken if scanned else (),
            disturbances=tuple(item.name for item, slot in self._present.items() if values[slot]),
            wired=wired,
            scanned=scanned,
            forced=tuple(
                name for name, slot in self._driven.items() if values[slot] != values[self._asked[name]]
            ),
        )
