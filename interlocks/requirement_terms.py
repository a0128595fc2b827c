"""Conditions of requirements as terms of the Program, with the memory that their past needs.

``rising``, ``falling`` and ``held`` look back, so their arguments are watched: ``run`` counts the instants
for which an argument has been true, up to what the longest ``held`` of it asks. What an input did
that nothing drives its history tells; and that a sequence was in a state the stored state still tells when
the next step begins, so an edge of it needs no memory.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from stillgate.controller.expression import (
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
from stillgate.controller.lowering import count_up
from stillgate.controller.machine import Machine, Requirement
from stillgate.controller.namespace import (
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
from stillgate.controller.program import (
    FALSE,
    TRUE,
    Assign,
    Cell,
    Clock,
    ClockKind,
    Complement,
    Constant,
    ControllerProgram,
    If,
    Observation,
    Operation,
    Read,
    Ref,
    Scope,
    Statement,
    Term,
    ticks_up,
    walk_term,
)
from stillgate.controller.quantities import Condition, Milliseconds, Ticks
from stillgate.controller.rules import requirement_conditions
from stillgate.sim_io.plant import Plant


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
        self.memory = dict(zip(machine.memory, controller.memory, strict=True))
        self.look_early = early
        self.watched: dict[str, tuple[Cell, Cell, Cell]] = {}
        self.cells: list[Cell] = []
        self.clocks: list[Clock] = []
        self.early: list[Statement] = []
        self.block: list[Statement] = []
        self._watch_arguments(judged)

    def term(self, tree: Expression) -> Term:
        match tree:
            case Number(value=value):
                return Constant(value)
            case Truth(value=value):
                return TRUE if value else FALSE
            case Not(operand=operand):
                return Complement(self.term(operand))
            case Binary(operator=operator, left=left, right=right):
                return _cheap_first(operator, self.term(left), self.term(right))
            case EdgeOf() | HeldFor():
                return self._past(tree)
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

    def _past(self, node: EdgeOf | HeldFor) -> Term:
        free = self._free_input(node.argument)
        if free is not None and isinstance(node, EdgeOf):
            rising = node.edge is Edge.RISING
            return Read(free, Observation.CIRCUIT_ROSE if rising else Observation.CIRCUIT_FELL)
        now, was, run = self.watched[canonical(node.argument)]
        if isinstance(node, HeldFor):
            return Operation(Operator.GT, Ref(run), Constant(ticks_up(node.milliseconds, self.tick)))
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
            for node in self._looking_back(requirement):
                key = canonical(node.argument)
                numbers.setdefault(key, len(numbers))
                if name in judged:
                    trees[key] = node.argument
                    ticks = ticks_up(node.milliseconds, self.tick) if isinstance(node, HeldFor) else 0
                    longest[key] = max(longest.get(key, 0), ticks)
        for key, tree in trees.items():
            number = numbers[key]
            now = Cell(f"watched{number}.now", 0, 1, 0, Scope.MONITOR, persistent=False)
            was = Cell(f"watched{number}.was", 0, 1, 0, Scope.MONITOR, persistent=False)
            run = Cell(f"watched{number}.run", 0, longest[key] + 1, 0, Scope.MONITOR)
            self.watched[key] = (now, was, run)
            self.block.append(Assign(now, self.term(tree)))
            if self.look_early and not longest[key] and self._is_later_state(tree):
                self.early.append(Assign(was, self.term(tree)))
                continue
            self.cells.append(run)
            self.clocks.append(Clock(run, ClockKind.HELD, Constant(run.high)))
            self.block += [
                Assign(was, Operation(Operator.GT, Ref(run), Constant(0))),
                If(Ref(now), (count_up(run, Constant(longest[key] + 1)),), (Assign(run, Constant(0)),)),
            ]

    def _looking_back(self, requirement: Requirement) -> Iterator[EdgeOf | HeldFor]:
        """What of a requirement asks for the past of something that is to be watched."""
        for condition in conditions_of(requirement):
            for node in walk(condition.tree):
                if isinstance(node, HeldFor) or (
                    isinstance(node, EdgeOf) and self._free_input(node.argument) is None
                ):
                    yield node

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
