"""The physical machine as a program: all parts, their switches, and what drives them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from stillgate.controller.expressions.expression import At, Binary, Expression, Name, Not, Number, Truth
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.clocks import Clock
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Assign,
    Block,
    Cell,
    Complement,
    Constant,
    If,
    Operation,
    Ref,
    Scope,
    Term,
    disjunction,
)
from stillgate.controller.rules.namespace import Context, Namespace, OutputRef, PartTruthRef

from ..parts import PartProgram, PlantNames, lower_part
from .base import Events


@dataclass(frozen=True, slots=True)
class Plant:
    """All parts of a machine at one period.

    ``circuits`` says, for every input that a part senses, when its circuit conducts;
    ``driven`` are the cells that must hold what each output physically does before
    ``conditions`` runs.
    """

    parts: tuple[PartProgram, ...]
    driven: dict[str, Cell]
    circuits: dict[str, Term]
    truths: dict[tuple[str, str], Term]  # as judged, by (part, truth)

    @property
    def cells(self) -> tuple[Cell, ...]:
        """State of all parts."""
        return tuple(cell for part in self.parts for cell in part.cells)

    @property
    def clocks(self) -> tuple[Clock, ...]:
        """The parts' clocks."""
        return tuple(clock for part in self.parts for clock in part.clocks)

    @property
    def events(self) -> Events:
        """The parts' choices of whether something happens in this tick."""
        return {choice: latest for part in self.parts for choice, latest in part.events.items()}

    @property
    def places(self) -> Block:
        """Chooses where every part stands at the start."""
        return tuple(item for part in self.parts for item in part.begin)

    @property
    def begin(self) -> Block:
        """The same at a power-on with every output off, and what the parts ask about it answered."""
        return (*self.places, *self.power_on({}), *(item for part in self.parts for item in part.decide))

    @property
    def begin_unseen(self) -> Block:
        """The same at a moment before which nobody knows what was so."""
        return tuple(item for part in self.parts for item in part.begin_unseen)

    @property
    def undecided(self) -> Term:
        """Whether a part asks what was so at power-on."""
        return disjunction(tuple(part.undecided for part in self.parts if part.undecided != FALSE))

    @property
    def answers(self) -> set[Cell]:
        """Local cells that ``power_on`` writes and ``moves`` reads."""
        return {cell for part in self.parts for cell, _ in part.power_on}

    def power_on(self, before: Mapping[str, Term]) -> Block:
        """Answers parts that ask what was so before the first scan.

        Args:
            before: what outputs did then; those that are not named were off.
        """
        if self.undecided == FALSE:
            return ()
        driven = tuple(Assign(cell, before.get(name, FALSE)) for name, cell in self.driven.items())
        asked = [item for part in self.parts for item in part.power_on]
        told = tuple(Assign(cell, term) for cell, term in asked)
        untold = tuple(Assign(cell, FALSE) for cell, _ in asked)
        return (If(self.undecided, (*driven, *self.conditions, *told), untold),)

    @property
    def conditions(self) -> Block:
        """What drives each part, from the outputs as physically driven.

        Those that are driven come first: what drives them reads no motion, while a flow or an
        automaton may ask whether another part is moving, and means in this very tick. So the
        order of the parts in the file has no meaning.
        """
        driven_first = sorted(self.parts, key=lambda part: part.kind in ("flow", "automaton"))
        return tuple(item for part in driven_first for item in part.conditions)

    @property
    def moves(self) -> Block:
        """One tick of motion of every part, from conditions computed before."""
        return tuple(item for part in self.parts for item in part.moves)


def lower_plant(machine: Machine, period: Milliseconds) -> Plant:
    """The plant of a machine, its times widened to ticks of the period."""
    return _PlantLowering(machine, period).plant()


class _PlantLowering:
    def __init__(self, machine: Machine, period: Milliseconds) -> None:
        self.machine = machine
        self.period = period
        self.names = Namespace(machine)
        self.driven = {
            name: Cell(f"{name}.driven", 0, 1, 0, Scope.FAULT, persistent=False) for name in machine.outputs
        }
        self.parts: dict[str, PartProgram] = {}

    def plant(self) -> Plant:
        # A condition may read truths of any part, and truths never read conditions of other
        # parts but through cells; so a first pass makes the truths, a second the conditions.
        blank = PlantNames(condition=lambda part, tree: FALSE, period=self.period)
        real = PlantNames(condition=self._condition, period=self.period)
        for name, part in self.machine.parts.items():
            self.parts[name] = lower_part(name, part, blank)
        self.parts = {name: lower_part(name, part, real) for name, part in self.machine.parts.items()}
        circuits = {
            signal: self._sense(name, condition.tree)
            for name, part in self.machine.parts.items()
            for signal, condition in part.senses.items()
        }
        truths = {
            (name, truth): term for name, part in self.parts.items() for truth, term in part.judged.items()
        }
        return Plant(tuple(self.parts.values()), self.driven, circuits, truths)

    def _condition(self, part: str, tree: Expression) -> Term:
        match tree:
            case At(place=place):
                return self.parts[part].judged[f"at_{place}"]
            case Name(path=path):
                if path in self.parts[part].judged:
                    return self.parts[part].judged[path]
                match self.names.resolve(path, Context.PLANT):
                    case OutputRef(name=name):
                        return Ref(self.driven[name])
                    case PartTruthRef(part=other, truth=truth):
                        return self.parts[other].judged[truth]
                    case found:
                        raise AssertionError(f"{found!r} is not a name a part knows")
            case _:
                return _inner(tree, lambda inner: self._condition(part, inner))

    def _sense(self, part: str, tree: Expression) -> Term:
        match tree:
            case At(place=place):
                return self.parts[part].sensed[f"at_{place}"]
            case Name(path=path):
                return self.parts[part].sensed[path]
            case _:
                return _inner(tree, lambda inner: self._sense(part, inner))


def _inner(tree: Expression, lower: Callable[[Expression], Term]) -> Term:
    match tree:
        case Number(value=value):
            return Constant(value)
        case Truth(value=value):
            return TRUE if value else FALSE
        case Not(operand=operand):
            return Complement(lower(operand))
        case Binary(operator=operator, left=left, right=right):
            return Operation(operator, lower(left), lower(right))
        case _:
            raise AssertionError("edges and holds belong to the controller; the reader refuses them here")
