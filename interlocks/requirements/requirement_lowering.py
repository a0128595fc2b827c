"""Conditions of requirements as terms of the Program, with the memory that their past needs.

``rising``, ``falling`` and ``held`` look back, so their arguments are watched: ``run`` counts the instants
for which an argument has been true, up to what the longest ``held`` of it asks; from which tick on that
is long enough ``requirement_times`` says. What an input did that nothing drives its history tells; and that a
sequence was in a state the stored state still tells when the next step begins, so an edge of it needs no
memory.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from stillgate.controller.expressions.expression import (
    At,
    Binary,
    Edge,
    EdgeOf,
    Expression,
    HeldFor,
    Name,
    Not,
    Number,
    Operator,
    Truth,
    canonical,
    walk,
)
from stillgate.controller.machine_file.field_types import Condition, Milliseconds, Ticks
from stillgate.controller.machine_file.machine import Machine, Requirement
from stillgate.controller.program.clocks import Clock, ClockKind
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.lowering import count_up
from stillgate.controller.program.program import (
    FALSE,
    TRUE,
    Assign,
    Cell,
    Complement,
    Constant,
    If,
    Observation,
    Operation,
    Read,
    Ref,
    Role,
    Scope,
    Statement,
    Term,
    walk_term,
)
from stillgate.controller.rules.namespace import (
    AskedRef,
    Context,
    InputRef,
    MemoryRef,
    Namespace,
    OutputRef,
    PartTruthRef,
    SeenRef,
    StateRef,
)
from stillgate.controller.rules.rules import requirement_conditions
from stillgate.sim_io.parts.plant import Plant

from .requirement_times import BOTH_SIDES, has_hold, held_ticks, sided_conditions, sided_holds


class RequirementTerms:
    """Terms of a machine's requirements.

    Args:
        circuits: the cell of the healthy circuit of every input that has one.
        judged: names of the requirements whose past is watched.
        early: look at the start of a step what the stored state tells.

    Attributes:
        cells: memory of the past; ``clocks`` are those of them that measure time.
        early: what runs at the start of a step, before anything changes.
        block: what runs before any term is read.
    """

    def __init__(
        self,
        machine: Machine,
        controller: ControllerProgram,
        plant: Plant,
        circuits: dict[str, Cell],
        tick: Milliseconds,
        *,
        judged: Collection[str],
        early: bool,
    ) -> None:
        self.machine = machine
        self.plant = plant
        self.circuits = circuits
        self.tick = tick
        self.names = Namespace(machine)
        self.sequences = {item.name: item for item in controller.sequences}
        self.outputs = {item.name: item for item in controller.outputs}
        self.memory = {name: cell for cell, name in controller.memory.items()}
        self.look_early = early
        self.watched: dict[str, tuple[Cell, Cell, Cell]] = {}
        self.sides: dict[tuple[str, bool], Cell] = {}
        self.cells: list[Cell] = []
        self.clocks: list[Clock] = []
        self.early: list[Statement] = []
        self.block: list[Statement] = []
        self._watch_arguments(judged)

    def term(self, tree: Expression, *, breaks: bool) -> Term:
        """Its term; ``breaks`` tells whether its truth can break the requirement or only satisfy it."""
        match tree:
            case Number(value=value):
                return Constant(value)
            case Truth(value=value):
                return TRUE if value else FALSE
            case Not(operand=operand):
                return Complement(self.term(operand, breaks=not breaks))
            case Binary(operator=operator) if operator in BOTH_SIDES and has_hold(tree):
                return self._both_sides(tree, breaks)
            case Binary(operator=operator, left=left, right=right):
                return _cheap_first(operator, self.term(left, breaks=breaks), self.term(right, breaks=breaks))
            case HeldFor():
                return self._held(tree, breaks)
            case EdgeOf():
                return self._edge(tree)
            case Name(path=path):
                return self._name(path)
            case At():
                raise AssertionError("'at' belongs to parts; the reader refuses it here")

    def _name(self, path: str) -> Term:
        match self.names.resolve(path, Context.REQUIREMENT):
            case InputRef(name=key):
                return Ref(self.circuits[key]) if key in self.circuits else Read(key, Observation.CIRCUIT)
            case SeenRef(name=key):
                return Read(key, Observation.LEVEL)
            case OutputRef(name=key):
                return Ref(self.plant.driven[key])
            case AskedRef(name=key):
                return Ref(self.outputs[key].asked)
            case MemoryRef(name=key):
                return Ref(self.memory[key])
            case StateRef(sequence=sequence, state=state):
                found = self.sequences[sequence]
                return Operation(Operator.EQ, Ref(found.active), Constant(found.states.index(state)))
            case PartTruthRef(part=part, truth=truth):
                return self.plant.truths[part, truth]

    def _held(self, node: HeldFor, breaks: bool) -> Term:
        ticks = self._held_ticks(node, breaks)
        if ticks < 0:
            return TRUE
        if ticks == 0:
            return self.term(node.argument, breaks=breaks)
        _, _, run = self.watched[canonical(node.argument)]
        return Operation(Operator.GT, Ref(run), Constant(ticks))

    def _held_ticks(self, node: HeldFor, breaks: bool) -> Ticks:
        return held_ticks(node, self.names, self.machine.scan, self.tick, breaks=breaks)

    def _both_sides(self, tree: Binary, breaks: bool) -> Term:
        """``=``, ``<>`` and ``xor`` by ``and``, ``or`` and ``not``, so that each operand takes a side."""
        left, not_left = self._side(tree.left, breaks), Complement(self._side(tree.left, not breaks))
        right, not_right = self._side(tree.right, breaks), Complement(self._side(tree.right, not breaks))
        if tree.operator is Operator.EQ:
            left, not_left = not_left, left
        return Operation(
            Operator.OR,
            Operation(Operator.AND, left, not_right),
            Operation(Operator.AND, not_left, right),
        )

    def _side(self, tree: Expression, breaks: bool) -> Term:
        """An operand on one side, kept in a cell: where such operators nest each is worked out once."""
        key = (canonical(tree), breaks and has_hold(tree))
        if key not in self.sides:
            term = self.term(tree, breaks=breaks)
            cell = Cell(f"side{len(self.sides)}", 0, 1, 0, Scope.MONITOR, persistent=False)
            self.sides[key] = cell
            self.block.append(Assign(cell, term))
        return Ref(self.sides[key])

    def _edge(self, node: EdgeOf) -> Term:
        free = self._free_input(node.argument)
        if free is not None:
            rising = node.edge is Edge.RISING
            return Read(free, Observation.CIRCUIT_ROSE if rising else Observation.CIRCUIT_FELL)
        now, was, _ = self.watched[canonical(node.argument)]
        if node.edge is Edge.RISING:
            return Operation(Operator.AND, Ref(now), Complement(Ref(was)))
        return Operation(Operator.AND, Ref(was), Complement(Ref(now)))

    def _free_input(self, tree: Expression) -> str | None:
        if isinstance(tree, Name):
            found = self.names.resolve(tree.path, Context.REQUIREMENT)
            if isinstance(found, InputRef) and found.name not in self.circuits:
                return found.name
        return None

    def _watch_arguments(self, judged: Collection[str]) -> None:
        """Memory of the arguments of rising, falling and held that requirements use."""
        longest: dict[str, Ticks] = {}
        trees: dict[str, Expression] = {}
        numbers: dict[str, int] = {}
        for name, requirement in self.machine.requirements.items():
            for argument, ticks in self._looking_back(requirement):
                key = canonical(argument)
                numbers.setdefault(key, len(numbers))
                if name in judged:
                    trees[key] = argument
                    longest[key] = max(longest.get(key, 0), ticks)
        for key, tree in trees.items():
            number = numbers[key]
            now = Cell(f"watched{number}.now", 0, 1, 0, Scope.MONITOR, persistent=False)
            was = Cell(f"watched{number}.was", 0, 1, 0, Scope.MONITOR, persistent=False)
            run = Cell(f"watched{number}.run", 0, longest[key] + 1, 0, Scope.MONITOR, role=Role.TIME)
            self.watched[key] = (now, was, run)
            self.block.append(Assign(now, self.term(tree, breaks=False)))
            if self.look_early and not longest[key] and self._is_later_state(tree):
                self.early.append(Assign(was, self.term(tree, breaks=False)))
                continue
            self.cells.append(run)
            self.clocks.append(Clock(run, ClockKind.HELD, Constant(run.high)))
            self.block += [
                Assign(was, Operation(Operator.GT, Ref(run), Constant(0))),
                If(Ref(now), (count_up(run, Constant(longest[key] + 1)),), (Assign(run, Constant(0)),)),
            ]

    def _looking_back(self, requirement: Requirement) -> Iterator[tuple[Expression, Ticks]]:
        """What a requirement asks the past of, and for how many ticks; 0 for an edge."""
        for condition, breaks in sided_conditions(requirement):
            for node in walk(condition.tree):
                if isinstance(node, EdgeOf) and self._free_input(node.argument) is None:
                    yield node.argument, 0
            for hold, can_break in sided_holds(condition.tree, breaks):
                ticks = self._held_ticks(hold, can_break)
                if ticks > 0:
                    yield hold.argument, ticks

    def _is_later_state(self, tree: Expression) -> bool:
        """Whether it is a state that its sequence does not start in, so that none was before power-on."""
        found = self.names.resolve(tree.path, Context.REQUIREMENT) if isinstance(tree, Name) else None
        if not isinstance(found, StateRef):
            return False
        sequence = self.sequences[found.sequence]
        return sequence.states.index(found.state) != sequence.active.start


def asks(term: Term) -> bool:
    """Whether a term asks for an input."""
    return any(isinstance(node, Read) for node in walk_term(term))


def _cheap_first(operator: Operator, left: Term, right: Term) -> Term:
    """``and`` and ``or`` with the operand first that asks nothing: it may save the question."""
    if operator in (Operator.AND, Operator.OR) and asks(left) and not asks(right):
        left, right = right, left
    return Operation(operator, left, right)


def conditions_of(requirement: Requirement) -> list[Condition]:
    """Every condition that a requirement is made of."""
    return [condition for _, condition in requirement_conditions(requirement)]
