"""Parts that must be tracked together, and one step of such a cluster under a hypothesis.

Given what the controller saw and asked for, parts that read nothing of each other move
independently: the set of joint situations that agree with a log is the product of the sets of
each cluster. A fault that touches several clusters ties them, because it begins once for all.

A situation of a cluster is the values of its cells and whether the fault has begun.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product

from stillgate.controller.machine_file.field_types import Ticks
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.evaluate import BlockCompiler, Layout, Values
from stillgate.controller.program.footprint import cells_read
from stillgate.controller.program.program import Assign, Block, Cell, NoteKind, Observation, Ref, Scope
from stillgate.sim_io.faults.disturbances import Disturbance
from stillgate.sim_io.faults.switches import lower_switches
from stillgate.sim_io.parts.plant import Plant, lower_plant

from .hypotheses import OF_INPUTS, OF_OUTPUTS, FieldFault, Hypothesis

Situation = tuple[int, ...]
"""Values of a cluster's cells, the last one 1 once the fault has begun."""

Levels = tuple[int | None, ...]
"""Observed levels in the order of a cluster's names; None where nothing was observed."""


@dataclass(frozen=True, slots=True)
class Cluster:
    """Parts that read each other, with the inputs they move and the outputs that move them."""

    parts: tuple[str, ...]
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]

    def joined(self, other: Cluster) -> Cluster:
        """Both together, in a settled order."""
        return Cluster(
            tuple(sorted({*self.parts, *other.parts})),
            tuple(sorted({*self.inputs, *other.inputs})),
            tuple(sorted({*self.outputs, *other.outputs})),
        )

    def touched_by(self, hypothesis: Hypothesis) -> bool:
        """Whether a fault changes what this cluster shows or does."""
        if hypothesis.trouble in OF_INPUTS:
            return hypothesis.subject in self.inputs
        return hypothesis.trouble in OF_OUTPUTS and hypothesis.subject in self.outputs


def anywhere(machine: Machine) -> Plant:
    """The parts of a machine, standing anywhere: a log begins at any moment of a working day."""
    nowhere = {"starts": "anywhere", "just_entered": False}  # a key of some parts only
    loose = {
        part: item.model_copy(update={key: value for key, value in nowhere.items() if hasattr(item, key)})
        for part, item in machine.parts.items()
    }
    return lower_plant(machine.model_copy(update={"parts": loose}), machine.scan)


def clusters_of(machine: Machine, plant: Plant) -> tuple[Cluster, ...]:
    """The clusters of a machine's parts, and one for each input that no part senses."""
    owner = {cell: part.name for part in plant.parts for cell in part.cells}
    driven = {cell: name for name, cell in plant.driven.items()}
    single: list[Cluster] = []
    for part in plant.parts:
        read = cells_read((*part.conditions, *part.moves))
        senses = tuple(machine.parts[part.name].senses)
        sensed = tuple(Assign(part.cells[0], plant.circuits[name]) for name in senses)
        read |= cells_read(sensed)
        others = {owner[cell] for cell in read if cell in owner}
        outputs = {driven[cell] for cell in read if cell in driven}
        single.append(
            Cluster(tuple(sorted({part.name, *others})), tuple(sorted(senses)), tuple(sorted(outputs)))
        )
    merged: list[Cluster] = []
    for item in single:
        apart = [other for other in merged if not set(other.parts) & set(item.parts)]
        for other in merged:
            if set(other.parts) & set(item.parts):
                item = item.joined(other)  # noqa: PLW2901
        merged = [*apart, item]
    free = [Cluster((), (name,), ()) for name in machine.inputs if name not in plant.circuits]
    return tuple(sorted(merged, key=lambda item: item.parts)) + tuple(free)


class _Odometer:
    """Host that runs through every combination of the choices asked for."""

    def __init__(self) -> None:
        self.picks: list[int] = []
        self.counts: list[int] = []
        self.asked = 0

    def choose(self, cell: Cell, count: int) -> int:
        if self.asked == len(self.picks):
            self.picks.append(0)
            self.counts.append(count)
        self.asked += 1
        return self.picks[self.asked - 1]

    def read(self, values: Values, signal: str, observation: Observation, ticks: Ticks) -> int:
        raise AssertionError("parts and switches read no inputs")

    def note(self, kind: NoteKind, index: int) -> None:
        raise AssertionError("parts and switches report nothing")

    def rounds(self) -> Iterator[None]:
        """One round a combination; the code that asks runs in between."""
        self.picks, self.counts = [], []
        while True:
            self.asked = 0
            yield
            while self.picks and self.picks[-1] + 1 == self.counts[-1]:
                self.picks.pop()
                self.counts.pop()
            if not self.picks:
                return
            self.picks[-1] += 1


class ClusterModel:
    """How a cluster moves and shows itself while one thing may be wrong.

    Args:
        machine: the machine.
        plant: its parts, as ``anywhere`` gives them.
        cluster: which of them.
        hypothesis: what may begin at any scan, the first included, and then stays.
        known: disturbances that are there all the time and are no fault, such as bounce.
    """

    def __init__(
        self,
        machine: Machine,
        plant: Plant,
        cluster: Cluster,
        hypothesis: Hypothesis,
        known: Sequence[Disturbance] = (),
    ) -> None:
        self.cluster, self.hypothesis = cluster, hypothesis
        self.faulty = hypothesis.trouble is not FieldFault.NONE and cluster.touched_by(hypothesis)
        parts = [part for part in plant.parts if part.name in cluster.parts]
        self.parts = tuple(parts)
        self.contacts = {name: item.contact for name, item in machine.inputs.items()}
        self.sensed_by = {name: part.name for part in parts for name in machine.parts[part.name].senses}
        circuits = {
            name: Cell(f"{name}.circuit", 0, 1, 0, Scope.PART, persistent=False)
            for name in cluster.inputs
            if name in plant.circuits
        }
        asked = {name: Cell(f"{name}.asked", 0, 1, 0, Scope.CONTROLLER) for name in cluster.outputs}
        driven = {name: plant.driven[name] for name in cluster.outputs}
        ours = [item for item in known if item.subjects and set(item.subjects) <= {*circuits, *asked}]
        switches = lower_switches(ours, circuits, asked, driven, machine.scan, from_start=ours)
        self._switch_cells = switches.cells if ours else ()
        self.cells = tuple(cell for part in parts for cell in part.cells)
        self.kept = kept = (*self.cells, *self._switch_cells)  # what a situation's values are of
        self._layout = Layout((*kept, *switches.cells))
        self._width = len(kept)
        self._host = _Odometer()
        compiler = BlockCompiler(self._layout, machine.scan, self._host)
        sense: Block = tuple(Assign(cell, plant.circuits[name]) for name, cell in circuits.items())
        begin: Block = tuple(item for part in parts for item in part.begin_unseen)
        self._begin = compiler.block(begin)
        self._show = compiler.block((*sense, *(switches.before if ours else ())))
        shown = {name: switches.wired[name] if ours else Ref(circuits[name]) for name in circuits}
        self._shown = [compiler.term(shown[name]) if name in shown else None for name in cluster.inputs]
        self._pass_on = compiler.block(
            switches.after if ours else tuple(Assign(driven[name], Ref(asked[name])) for name in driven)
        )
        self._move = compiler.block(
            (*(s for part in parts for s in part.conditions), *(s for part in parts for s in part.moves))
        )
        slot = self._layout.slot
        self._circuit_slots = [slot(circuits[name]) if name in circuits else None for name in cluster.inputs]
        self._asked_slots = [slot(asked[name]) for name in cluster.outputs]
        self._driven_slots = [slot(driven[name]) for name in cluster.outputs]
        self._blank = self._layout.start_values()
        self._steps: dict[tuple[Situation, Levels, Levels], tuple[Situation, ...]] = {}

    # -- where it can be ----------------------------------------------------------------------

    def start(self) -> tuple[Situation, ...]:
        """Every situation at the start of a log: parts anywhere, the fault there already or not."""
        found: dict[Situation, None] = {}
        for _ in self._host.rounds():
            values = self._fresh()
            self._begin(values)
            found[(*values[: self._width], 0)] = None
        begun = [(*item[:-1], 1) for item in found] if self.faulty else []
        return (*found, *begun)

    def step(self, situation: Situation, inputs: Levels, outputs: Levels) -> tuple[Situation, ...]:
        """Where a situation can lead in one scan that shows ``inputs`` and asks for ``outputs``.

        Empty if the situation cannot show them.
        """
        key = situation, inputs, outputs
        known = self._steps.get(key)
        if known is None:
            known = self._steps[key] = tuple(dict.fromkeys(self._stepped(situation, inputs, outputs)))
        return known

    def circuits(self, situation: Situation) -> dict[str, frozenset[int]]:
        """Levels that the healthy circuits of the sensed inputs can have in a situation."""
        values = self._placed(situation)
        found: dict[str, set[int]] = {}
        for _ in self._host.rounds():
            trial = list(values)
            self._show(trial)
            for name, slot in zip(self.cluster.inputs, self._circuit_slots, strict=True):
                if slot is not None:
                    found.setdefault(name, set()).add(trial[slot])
        return {name: frozenset(levels) for name, levels in found.items()}

    def shows(self, situation: Situation) -> dict[str, frozenset[int]]:
        """Levels that each input can show in the next scan, faults and switches included."""
        found: dict[str, set[int]] = {name: set() for name in self.cluster.inputs}
        for begun in self._may_begin(situation):
            for _ in self._host.rounds():
                values = self._placed(situation)
                self._show(values)
                for name, levels in zip(self.cluster.inputs, self._allowed(values, begun), strict=True):
                    found[name] |= set(levels)
        return {name: frozenset(levels) for name, levels in found.items()}

    def views(self, situation: Situation) -> tuple[Levels, ...]:
        """Every vector of levels that the inputs can show next, without the fault beginning anew."""
        found: dict[Levels, None] = {}
        for _ in self._host.rounds():
            values = self._placed(situation)
            self._show(values)
            for levels in product(*self._allowed(values, situation[-1])):
                found[levels] = None
        return tuple(found)

    def drives(self, asked: dict[str, int], situation: Situation) -> dict[str, int]:
        """What each output physically does if it is asked for so long enough."""
        return {
            name: self._driven(name, asked[name], begun=bool(situation[-1])) for name in self.cluster.outputs
        }

    def describe(self, situation: Situation) -> dict[str, str]:
        """Where each part stands, in words."""
        values = dict(zip(self.cells, situation, strict=False))
        return {part.name: part.describe(values) for part in self.parts}

    def loose_step(
        self, situation: Situation, inputs: Levels, outputs: Sequence[tuple[int, ...]]
    ) -> tuple[tuple[tuple[Levels, ...], tuple[Situation, ...]], ...]:
        """Where a situation can lead in one scan that may ask for any of several combinations of outputs.

        Returns:
            For every way of showing ``inputs``: the levels that each input could show in it, and where it
            leads to.
        """
        found: dict[tuple[Levels, ...], dict[Situation, None]] = {}
        for begun in self._may_begin(situation):
            for after, allowed in self._shown_ways(situation, inputs, begun):
                targets = found.setdefault(allowed, {})
                for asked in outputs:
                    for target in self._moved(after, asked, begun):
                        targets[target] = None
        return tuple((allowed, tuple(targets)) for allowed, targets in found.items())

    def loose_shows(self, situation: Situation, inputs: Levels) -> tuple[tuple[int, tuple[Levels, ...]], ...]:
        """Ways of showing ``inputs``: whether the fault has begun, and the levels each input could show."""
        found = {
            (begun, allowed): None
            for begun in self._may_begin(situation)
            for _, allowed in self._shown_ways(situation, inputs, begun)
        }
        return tuple(found)

    # -- inside ------------------------------------------------------------------------------

    def _fresh(self) -> Values:
        return list(self._blank)

    def _placed(self, situation: Situation) -> Values:
        values = self._fresh()
        values[: self._width] = situation[:-1]
        return values

    def _may_begin(self, situation: Situation) -> tuple[int, ...]:
        return (1,) if situation[-1] else (0, 1) if self.faulty else (0,)

    def _stepped(self, situation: Situation, inputs: Levels, outputs: Levels) -> Iterator[Situation]:
        for begun in self._may_begin(situation):
            for after, _ in self._shown_ways(situation, inputs, begun):
                yield from self._moved(after, outputs, begun)

    def _shown_ways(
        self, situation: Situation, inputs: Levels, begun: int
    ) -> tuple[tuple[Situation, tuple[Levels, ...]], ...]:
        """Values after showing ``inputs``, and what each input could show then; empty if they cannot be."""
        shown: dict[Situation, tuple[Levels, ...]] = {}
        for _ in self._host.rounds():
            values = self._placed(situation)
            self._show(values)
            allowed = tuple(self._allowed(values, begun))
            if all(seen is None or seen in levels for seen, levels in zip(inputs, allowed, strict=True)):
                shown[tuple(values)] = allowed
        return tuple(shown.items())

    def _moved(self, after: Situation, outputs: Levels, begun: int) -> Iterator[Situation]:
        for _ in self._host.rounds():
            values = list(after)
            self._drive(values, outputs, begun)
            self._move(values)
            yield (*values[: self._width], begun)

    def _allowed(self, values: Values, begun: int) -> Iterable[tuple[int, ...]]:
        for name, code in zip(self.cluster.inputs, self._shown, strict=True):
            levels = (0, 1) if code is None else (code(values),)
            if begun and name == self.hypothesis.subject:
                match self.hypothesis.trouble:
                    case FieldFault.INPUT_ON:
                        levels = (1,)
                    case FieldFault.INPUT_OFF:
                        levels = (0,)
                    case FieldFault.INPUT_LOOSE:
                        levels = (*levels, 0)
                    case _:
                        pass
            yield levels

    def _drive(self, values: Values, outputs: Levels, begun: int) -> None:
        for slot, level in zip(self._asked_slots, outputs, strict=True):
            values[slot] = level or 0
        self._pass_on(values)
        for slot, name in zip(self._driven_slots, self.cluster.outputs, strict=True):
            values[slot] = self._driven(name, values[slot], begun=bool(begun))

    def _driven(self, name: str, level: int, *, begun: bool) -> int:
        if begun and name == self.hypothesis.subject:
            if self.hypothesis.trouble is FieldFault.OUTPUT_ON:
                return 1
            if self.hypothesis.trouble is FieldFault.OUTPUT_OFF:
                return 0
        return level
