"""Operators: who moves the free inputs of a simulated machine, lowered to statements.

A **sensible** operator works on one sequence for a while, then on another: first does what
keeps the overrides quiet (sits down, releases the emergency stop), then, again and again
after a human time, does what one of the exits of the active state waits for, or lets go of
what was done last; rarely what an override or an exit back to the start state waits for. A
**clumsy** one does the same faster, presses the wrong thing one time in four, lets go early
and presses twice. A **hostile** one changes any free inputs at any scan, several at once.
Inputs without an operator and without a part are the surroundings: they change one by one
at times from a scan to ten seconds.

What an exit waits for is read from its guard: an input named plainly is wanted on, one
under ``not`` off, whether joined by AND or OR; ``rising(x)`` wants x off first; a state of
another sequence wants what the way into that state waits for. The operator knows in which
states the sequences are, as lamps and motions would tell.

Everything is chosen by ``Choose`` and so drawn from the seed, the same in Python and in C.
Times are common practice, no source. Not modelled: tiredness, training, two people.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import Enum

from stillgate.controller.expressions.expression import (
    Binary,
    Edge,
    EdgeOf,
    Expression,
    HeldFor,
    Name,
    Not,
    Operator,
)
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Contact, Machine
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Assign,
    Block,
    Cell,
    Choose,
    Complement,
    Constant,
    If,
    Lookup,
    Operation,
    Ref,
    Scope,
    Switch,
    Term,
    ticks_up,
)
from stillgate.controller.rules.namespace import Context, InputRef, Namespace, Reference, StateRef


class OperatorKind(Enum):
    """How whoever stands at the machine behaves."""

    SENSIBLE = "sensible"
    CLUMSY = "clumsy"
    HOSTILE = "hostile"


PAUSES: dict[OperatorKind, tuple[Milliseconds, ...]] = {
    OperatorKind.SENSIBLE: (150, 200, 300, 400, 500, 800, 1200, 2000, 3000, 5000),
    OperatorKind.CLUMSY: (20, 40, 60, 100, 150, 200, 300, 500, 1000, 2000),
    OperatorKind.HOSTILE: (0, 0, 0, 20, 20, 40, 60, 100, 200, 400, 1000, 3000),
}
"""Times from one thing an operator does to the next, each as likely; drawn anew every time."""

CHANGES: tuple[Milliseconds, ...] = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000)
"""Times from one change of the surroundings to the next."""

AT_ONCE = 4
"""Inputs that a hostile operator changes in one scan at most."""

Levels = tuple[tuple[str, bool, bool], ...]
"""What is wanted: (input, on, only as an edge)."""


@dataclass(frozen=True, slots=True)
class OperatorProgram:
    """A lowered operator. ``begin`` and ``block`` write the circuits of free inputs; ``block``
    runs in every scan before the switches are sampled and reads the active states.
    """

    cells: tuple[Cell, ...]
    begin: Block
    block: Block


def rest_level(machine: Machine, name: str) -> bool:
    """Whether the circuit of an input that nobody touches conducts."""
    return machine.inputs[name].contact is Contact.NORMALLY_CLOSED


def lower_operator(
    machine: Machine,
    controller: ControllerProgram,
    circuits: dict[str, Cell],
    kind: OperatorKind,
    period: Milliseconds,
) -> OperatorProgram:
    """The operator of a machine.

    Args:
        machine: the machine.
        controller: its program, whose active states are read.
        circuits: cells of the circuits of the free inputs; all are written.
        kind: how the operator behaves.
        period: scan.
    """
    return _Lowering(machine, controller, circuits, kind, period).lower()


@dataclass
class _Lowering:
    machine: Machine
    controller: ControllerProgram
    circuits: dict[str, Cell]
    kind: OperatorKind
    period: Milliseconds
    cells: list[Cell] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.names = Namespace(self.machine)
        self.hands = [name for name in self.circuits if self.machine.inputs[name].source == "operator"]
        self.others = [name for name in self.circuits if name not in self.hands]
        self.kept = {
            name: self._cell(f"{name}.kept", 1, start=int(rest_level(self.machine, name)))
            for name in self.hands
        }

    def lower(self) -> OperatorProgram:
        if self.kind is OperatorKind.HOSTILE:
            block: Block = self._paced("person", PAUSES[self.kind], self._several_flips())
            return OperatorProgram(tuple(self.cells), (), block)
        block = ()
        if self.hands:
            block += self._paced("person", PAUSES[self.kind], self._turn())
        if self.others:
            block += self._paced("surroundings", CHANGES, self._flip_one(self.others, "surroundings.which"))
        return OperatorProgram(tuple(self.cells), self._set(self._quiet()), block)

    # -- pace ------------------------------------------------------------------------------

    def _cell(self, name: str, high: int, *, start: int = 0) -> Cell:
        cell = Cell(name, 0, high, start, Scope.PART)
        self.cells.append(cell)
        return cell

    def _local(self, name: str, count: int) -> Cell:
        return Cell(f"{self.kind.value}.{name}", 0, max(1, count - 1), 0, Scope.PART, persistent=False)

    def _paced(self, who: str, pauses: Sequence[Milliseconds], act: Block) -> Block:
        table = tuple(ticks_up(time, self.period) for time in pauses)
        # The first thing is done after a middling pause: whoever comes looks first.
        first = table[len(table) // 2]
        wait = self._cell(f"{self.kind.value}.{who}.waits", max(table), start=first)
        pause = self._local(f"{who}.pause", len(table))
        return (
            If(
                Operation(Operator.GT, Ref(wait), Constant(0)),
                (Assign(wait, Operation(Operator.SUB, Ref(wait), Constant(1))),),
                (*act, Choose(pause, len(table)), Assign(wait, Lookup(table, Ref(pause)))),
            ),
        )

    def _one_of(self, name: str, blocks: Sequence[Block]) -> Block:
        """Chooses one of several blocks to run."""
        if len(blocks) < 2:
            return blocks[0] if blocks else ()
        cell = self._local(name, len(blocks))
        return (Choose(cell, len(blocks)), Switch(cell, tuple(enumerate(blocks))))

    # -- what is done ------------------------------------------------------------------------

    def _turn(self) -> Block:
        """One thing that a sensible operator does, or a clumsy one that means well."""
        let_go: Block = tuple(Assign(self.circuits[name], Ref(cell)) for name, cell in self.kept.items())
        overrides = [
            act
            for sequence in self.machine.sequences.values()
            for item in sequence.overrides
            if (act := self._act(item.when.tree))
        ]
        onward, back = self._of_focus("onward", onward=True), self._of_focus("back", onward=False)
        turn = self._local("turn", 16)
        sensible: Block = (
            *self._focus(),
            Choose(turn, 16),
            If(
                _less(turn, 11),
                onward,
                (If(_less(turn, 15), let_go, self._one_of("rarely", [*overrides, back])),),
            ),
        )
        if self.kind is OperatorKind.SENSIBLE:
            return sensible
        slip = self._local("slip", 4)
        return (Choose(slip, 4), If(_less(slip, 1), self._flip_one(self.hands, "wrong"), sensible))

    def _focus(self) -> Block:
        """Now and then another sequence is what the operator works on."""
        count = len(self.controller.sequences)
        focus = self._focus_cell()
        if focus not in self.cells:
            self.cells.append(focus)
        change, chosen = self._local("focus.changes", 8), self._local("focus.new", count)
        new: Block = (Choose(chosen, count), Assign(focus, Ref(chosen)))
        return (Choose(change, 8), If(_less(change, 1), new))

    def _focus_cell(self) -> Cell:
        return Cell(f"{self.kind.value}.focus", 0, len(self.controller.sequences) - 1, 0, Scope.PART)

    def _of_focus(self, name: str, *, onward: bool) -> Block:
        """Do what one of the exits of the active state waits for, of the sequence worked on."""
        by_sequence: list[tuple[int, Block]] = []
        for position, item in enumerate(self.controller.sequences):
            sequence = self.machine.sequences[item.name]
            arms: list[tuple[int, Block]] = []
            for number, state in enumerate(sequence.states.values()):
                trees = [
                    way.when.tree
                    for way in state.exits
                    if way.when is not None and (way.to != sequence.start) is onward
                ]
                acts = [act for tree in trees if (act := self._act(tree))]
                if acts:
                    arms.append((number, self._one_of(f"{item.name}.{number}.{name}", acts)))
            if arms:
                by_sequence.append((position, (Switch(item.active, tuple(arms)),)))
        return (Switch(self._focus_cell(), tuple(by_sequence)),) if by_sequence else ()

    def _act(self, tree: Expression) -> Block:
        """Keeps the overrides quiet and does what a condition waits for; () if it waits for nobody."""
        wanted, help_along = self._wanted_levels(tree), self._help(tree)
        if not wanted and not help_along:
            return ()
        remember: Block = tuple(Assign(cell, Ref(self.circuits[name])) for name, cell in self.kept.items())
        named = {name for name, _, _ in wanted}
        quiet = tuple(item for item in self._quiet() if item[0] not in named)
        return (*remember, *self._set(quiet), *help_along, *self._set(wanted))

    def _help(self, tree: Expression) -> Block:
        """Does what the ways into the wanted states of other sequences wait for."""
        block: Block = ()
        for reference in self._references(tree, wanted=True):
            if not isinstance(reference.meaning, StateRef) or not reference.wanted:
                continue
            found = reference.meaning
            item = next(item for item in self.controller.sequences if item.name == found.sequence)
            arms = [
                (number, self._set(wanted))
                for number, state in enumerate(self.machine.sequences[found.sequence].states.values())
                for way in state.exits[::-1]
                if way.to == found.state
                and way.when is not None
                and (wanted := self._wanted_levels(way.when.tree))
            ]
            if arms:
                block += (Switch(item.active, tuple(dict(arms).items())),)
        return block

    def _set(self, wanted: Levels) -> Block:
        found: list[Assign] = []
        for name, on, edge in wanted:
            cell = self.circuits[name]
            # An edge needs the other level first; the next turn does the rest.
            value: Term = Complement(Ref(cell)) if edge else TRUE if on else FALSE
            found.append(Assign(cell, value))
        return tuple(found)

    def _flip_one(self, names: Sequence[str], choice: str) -> Block:
        return self._one_of(choice, [self._flip(name) for name in names])

    def _flip(self, name: str) -> Block:
        cell = self.circuits[name]
        return (Assign(cell, Complement(Ref(cell))),)

    def _several_flips(self) -> Block:
        names = list(self.circuits)
        if not names:
            return ()
        block: Block = ()
        for number in reversed(range(min(AT_ONCE, len(names)))):
            again = self._local(f"again_{number}", 2)
            more: Block = (Choose(again, 2), If(Ref(again), block)) if block else ()
            block = (*self._flip_one(names, f"which_{number}"), *more)
        return block

    # -- what is wanted ------------------------------------------------------------------------

    def _quiet(self) -> Levels:
        """Levels at which no override of any sequence is true, as far as an operator can do that."""
        found: dict[str, bool] = {}
        for sequence in self.machine.sequences.values():
            for item in sequence.overrides:
                for name, on, _ in self._wanted_levels(item.when.tree):
                    found.setdefault(name, not on)
        return tuple((name, on, False) for name, on in found.items())

    def _wanted_levels(self, tree: Expression) -> Levels:
        """Levels of the operator's inputs that a condition waits for."""
        found: dict[str, tuple[bool, bool]] = {}
        for item in self._references(tree, wanted=True):
            if isinstance(item.meaning, InputRef) and item.meaning.name in self.kept:
                found.setdefault(item.meaning.name, (item.wanted, item.edge))
        return tuple((name, on, edge) for name, (on, edge) in found.items())

    def _references(self, tree: Expression, *, wanted: bool) -> Iterable[_Wanted]:
        match tree:
            case Not(operand=operand):
                yield from self._references(operand, wanted=not wanted)
            case Binary(operator=Operator.AND | Operator.OR, left=left, right=right):
                yield from self._references(left, wanted=wanted)
                yield from self._references(right, wanted=wanted)
            case HeldFor(argument=argument):
                yield from self._references(argument, wanted=wanted)
            case EdgeOf(argument=argument, edge=edge) if wanted:
                for item in self._references(argument, wanted=edge is Edge.RISING):
                    yield _Wanted(item.meaning, item.wanted, edge=True)
            case Name(path=path):
                yield _Wanted(self.names.resolve(path, Context.GUARD), wanted, edge=False)
            case _:
                return


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A name of a condition, and whether it is wanted true."""

    meaning: Reference
    wanted: bool
    edge: bool


def _less(cell: Cell, value: int) -> Term:
    return Operation(Operator.LT, Ref(cell), Constant(value))
