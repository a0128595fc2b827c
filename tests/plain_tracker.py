"""A diagnosis by the plainest means: one set of whole situations, every part and the fault together.

No clusters, no memo, no skipping, and the moment a fault began is part of the situation. Far too
slow for a real machine; what is quick must say the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from stillgate.controller.machine_file.field_types import Ticks
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.evaluate import BlockCompiler, Layout, Values
from stillgate.controller.program.program import Assign, Cell, NoteKind, Observation, Scope
from stillgate.interlocks.diagnosis.hypotheses import FieldFault, Hypothesis
from stillgate.sim_io.parts.plant import lower_plant

NEVER = -2
"""Begin of a fault that has not begun."""

BEFORE = -1
"""Begin of a fault that was there before the first scan."""

Whole = tuple[tuple[int, ...], int]
"""Values of the cells of all parts in the order of the plant, and the scan the fault began in."""


@dataclass
class Choices:
    """Answers the questions of one run from a list; questions beyond it get 0 and are noted."""

    given: tuple[int, ...]
    counts: list[int]
    asked: int = 0

    def choose(self, cell: Cell, count: int) -> int:
        self.counts.append(count)
        self.asked += 1
        return self.given[self.asked - 1] if self.asked <= len(self.given) else 0

    def read(self, values: Values, signal: str, observation: Observation, ticks: Ticks) -> int:
        raise AssertionError("parts read no inputs")

    def note(self, kind: NoteKind, index: int) -> None:
        raise AssertionError("parts report nothing")


class Asker:
    """The host of the compiled statements: hands every question to the run that is on."""

    run: Choices

    def choose(self, cell: Cell, count: int) -> int:
        return self.run.choose(cell, count)

    def read(self, values: Values, signal: str, observation: Observation, ticks: Ticks) -> int:
        return self.run.read(values, signal, observation, ticks)

    def note(self, kind: NoteKind, index: int) -> None:
        self.run.note(kind, index)

    def every_way(self, work: Callable[[], Values]) -> Iterator[Values]:
        """What some work leads to, for every way its questions can be answered."""
        open_ways: list[tuple[int, ...]] = [()]
        while open_ways:
            given = open_ways.pop()
            self.run = Choices(given, [])
            yield work()
            for place in range(len(given), len(self.run.counts)):
                done = (*given, *([0] * (place - len(given))))
                open_ways += [(*done, other) for other in range(1, self.run.counts[place])]


class PlainTracker:
    """All situations of a machine that agree with what was seen, under one hypothesis."""

    def __init__(self, machine: Machine, hypothesis: Hypothesis) -> None:
        loose = {name: part.model_copy(update={"starts": "anywhere"}) for name, part in machine.parts.items()}
        plant = lower_plant(machine.model_copy(update={"parts": loose}), machine.scan)
        self.machine, self.hypothesis, self.plant = machine, hypothesis, plant
        self.cells = plant.cells
        self._asker = Asker()
        shown = {
            name: Cell(f"{name}.shown", 0, 1, 0, Scope.PART, persistent=False) for name in plant.circuits
        }
        layout = Layout((*self.cells, *plant.driven.values(), *shown.values()))
        compiler = BlockCompiler(layout, machine.scan, self._asker)
        self._begin = compiler.block(plant.begin_unseen)
        self._show = compiler.block(tuple(Assign(cell, plant.circuits[name]) for name, cell in shown.items()))
        self._move = compiler.block((*plant.conditions, *plant.moves))
        self._shown = {name: layout.slot(cell) for name, cell in shown.items()}
        self._driven = {name: layout.slot(cell) for name, cell in plant.driven.items()}
        self._blank = layout.start_values()  # after the compiling, which adds cells of its own
        starts = self._asker.every_way(lambda: self._after(self._begin, list(self._blank)))
        places = {tuple(values[: len(self.cells)]) for values in starts}
        self.situations: set[Whole] = {(place, NEVER) for place in places}
        if hypothesis.trouble in _OF_SIGNALS:
            self.situations |= {(place, BEFORE) for place in places}

    def step(self, scan: int, inputs: Mapping[str, int | None], outputs: Mapping[str, int]) -> None:
        """Takes one scan; no situation is left once nothing can show what was seen."""
        found: set[Whole] = set()
        for place, begun in self.situations:
            begins = [begun]
            if begun == NEVER and self.hypothesis.trouble in _OF_SIGNALS:
                begins.append(scan)
            for begin in begins:
                if not self._shows(place, begin != NEVER, inputs):
                    continue
                for values in self._asker.every_way(lambda p=place, b=begin: self._moved(p, b, outputs)):
                    found.add((tuple(values[: len(self.cells)]), begin))
        self.situations = found

    @staticmethod
    def _after(code: Callable[[Values], None], values: Values) -> Values:
        code(values)
        return values

    def _placed(self, place: tuple[int, ...]) -> Values:
        return [*place, *self._blank[len(place) :]]

    def _shows(self, place: tuple[int, ...], faulty: bool, inputs: Mapping[str, int | None]) -> bool:
        values = self._after(self._show, self._placed(place))
        for name, seen in inputs.items():
            if seen is None:
                continue
            mine = faulty and self.hypothesis.subject == name
            if mine and self.hypothesis.trouble is FieldFault.INPUT_ON:
                fits = seen == 1
            elif mine and self.hypothesis.trouble is FieldFault.INPUT_OFF:
                fits = seen == 0
            elif name not in self._shown:
                fits = True  # nobody knows what a person does
            elif mine and self.hypothesis.trouble is FieldFault.INPUT_LOOSE:
                fits = seen == 0 or values[self._shown[name]] == 1
            else:
                fits = seen == values[self._shown[name]]
            if not fits:
                return False
        return True

    def _moved(self, place: tuple[int, ...], begin: int, outputs: Mapping[str, int]) -> Values:
        values = self._placed(place)
        for name, asked in outputs.items():
            level = asked
            if begin != NEVER and name == self.hypothesis.subject:
                level = {FieldFault.OUTPUT_ON: 1, FieldFault.OUTPUT_OFF: 0}.get(
                    self.hypothesis.trouble, asked
                )
            values[self._driven[name]] = level
        return self._after(self._move, values)


_OF_SIGNALS = frozenset(
    {
        FieldFault.INPUT_ON,
        FieldFault.INPUT_OFF,
        FieldFault.INPUT_LOOSE,
        FieldFault.OUTPUT_ON,
        FieldFault.OUTPUT_OFF,
    }
)
