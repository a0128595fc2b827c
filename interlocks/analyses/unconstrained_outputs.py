"""Outputs demanded at will: the machine whose interlocks stand alone.

Every demand is a free input, asked only where every interlock lets the output through. That multiplies
what one scan may lead to, so beyond ``MOST_AT_WILL`` outputs a requirement is judged in two machines that
differ from that one in ways which are known to go one way:

* *no less*: the outputs at will that the requirement speaks of, itself or through the parts it reads, and
  those that the controller reads; every other part is taken away, and the switches it moved may be anything
  in any tick. Whatever all outputs at will make the machine do, this one can do as well, so what holds in it
  holds with all outputs at will.
* *no more*: the same outputs at will in the machine as it is, the others as the sequences ask. A break in
  it is a break with all outputs at will.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from pydantic import BaseModel

from stillgate.controller.expressions.expression import Name, walk
from stillgate.controller.machine_file.field_types import Milliseconds, SenseCondition
from stillgate.controller.machine_file.machine import Exclusion, Input, Machine, Requirement
from stillgate.controller.machine_file.named_conditions import conditions_in
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.footprint import cells_read
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program import (
    FALSE,
    Assign,
    Block,
    Cell,
    Observation,
    Read,
    Ref,
    Statement,
    Term,
    conjunction,
)
from stillgate.controller.program.program_map import map_controller
from stillgate.sim_io.faults.fault_list import faults_of

from ..loop.closed_loop import ClosedLoop, close_loop

MOST_AT_WILL = 8
"""Outputs up to which all are demanded at will at once."""


@dataclass(frozen=True, slots=True)
class Freed:
    """Requirements to be judged together, with the outputs at will for them.

    Attributes:
        requirements: their names.
        outputs: those at will.
        parts: those that the requirements read, themselves or through other parts.
        whole: whether no other output matters, so that one search says everything.
    """

    requirements: tuple[str, ...]
    outputs: frozenset[str]
    parts: frozenset[str]
    whole: bool

    def loop(self, machine: Machine, tick: Milliseconds, budget: int) -> ClosedLoop:
        """All parts, and the outputs at will: *no more* than with all outputs at will."""
        return _at_will(self._judging(machine), tick, budget, self.outputs)

    def wider_loop(self, machine: Machine, tick: Milliseconds, budget: int) -> ClosedLoop:
        """Without the parts that are not read: *no less* than with all outputs at will."""
        kept = {name: part for name, part in machine.parts.items() if name in self.parts}
        return _at_will(self._judging(machine).model_copy(update={"parts": kept}), tick, budget, self.outputs)

    def _judging(self, machine: Machine) -> Machine:
        some = {name: machine.requirements[name] for name in self.requirements}
        return machine.model_copy(update={"requirements": some})


def freed_for(machine: Machine, tick: Milliseconds) -> list[Freed]:
    """How a machine's requirements are judged with outputs at will.

    Where more outputs matter than can be at will at once, those that read the same go together.
    """
    if not machine.requirements:
        return []
    loop = close_loop(machine, tick=tick, faults=0, possibility=False)
    read_inside = _outputs_read(loop, _inside(loop.controller))
    all_read = read_inside | _outputs_read(loop, (*loop.plant.conditions, *loop.monitors.block))
    if len(all_read) <= MOST_AT_WILL:
        return [Freed(tuple(machine.requirements), all_read, frozenset(machine.parts), True)]
    groups: dict[tuple[frozenset[str], frozenset[str]], list[str]] = {}
    for name, item in machine.requirements.items():
        outputs, parts = _spoken_of(machine, item)
        groups.setdefault((outputs | read_inside, parts), []).append(name)
    return [Freed(tuple(names), outputs, parts, False) for (outputs, parts), names in groups.items()]


def _inside(controller: ControllerProgram) -> Block:
    """What the controller does before it writes outputs."""
    return (*controller.observe, *(item for stage in controller.stages[:-1] for item in stage.block))


def _outputs_read(loop: ClosedLoop, block: Block) -> frozenset[str]:
    read = cells_read(block)
    return frozenset(
        output.name
        for output in loop.controller.outputs
        if loop.plant.driven[output.name] in read or output.asked in read
    )


def _spoken_of(machine: Machine, item: Requirement) -> tuple[frozenset[str], frozenset[str]]:
    """Outputs and parts that a requirement reads, itself or through parts."""
    outputs: set[str] = set()
    parts: set[str] = set()
    waiting: list[BaseModel] = [item]
    while waiting:
        for condition in conditions_in(waiting.pop()):
            if isinstance(condition, SenseCondition):
                continue
            for node in walk(condition.tree):
                if not isinstance(node, Name):
                    continue
                head = node.path.removeprefix("asked.").partition(".")[0]
                if head in machine.outputs:
                    outputs.add(head)
                elif head in machine.parts and head not in parts:
                    parts.add(head)
                    waiting.append(machine.parts[head])
    return frozenset(outputs), frozenset(parts)


def _demand(output: str) -> str:
    """The input that demands an output; no user's name has two underscores in a row."""
    return f"demand__{output}"


def _at_will(machine: Machine, tick: Milliseconds, budget: int, free: frozenset[str]) -> ClosedLoop:
    """The loop in which some outputs are demanded by a free input of their own each."""
    names = [name for name in machine.outputs if name in free]
    inputs = {**machine.inputs, **{_demand(name): Input.model_construct(source="operator") for name in names}}
    willing = machine.model_copy(update={"inputs": inputs})
    made = {_demand(name) for name in names}
    excluded = [
        Exclusion.model_construct(fault=item.name, why="stands for the sequences")
        for item in faults_of(willing)
        if item.subject in made
    ]
    check = machine.check.model_copy(update={"exclude": [*machine.check.exclude, *excluded]})
    willing = willing.model_copy(update={"check": check})
    program = _demanded_at_will(lower_controller(willing, period=tick), free)
    return close_loop(willing, tick=tick, faults=budget, possibility=False, controller=program)


def _demanded_at_will(program: ControllerProgram, free: frozenset[str]) -> ControllerProgram:
    """Demands become free inputs, asked only where every interlock lets the output through."""
    demands: dict[Cell, Term] = {
        output.demand: Read(_demand(output.name), Observation.LEVEL)
        for output in program.outputs
        if output.name in free
    }

    own = {cell for item in program.outputs if item.name in free for cell in (item.demand, item.asked)}

    def term(given: Term) -> Term:
        match given:
            case Ref(cell=cell) if cell in demands:
                return demands[cell]
            case _:
                return given

    def statement(given: Statement) -> Block:
        return () if isinstance(given, Assign) and given.cell in own else (given,)

    made = map_controller(program, term=term, statement=statement)
    at_will: list[Statement] = []
    for output in made.outputs:
        if output.name in free:
            permits = tuple(permit for _, permit in output.permits)
            at_will.append(Assign(output.demand, FALSE))
            at_will.append(Assign(output.asked, conjunction((*permits, demands[output.demand]))))
    last = made.stages[-1]
    return replace(made, stages=(*made.stages[:-1], replace(last, block=(*last.block, *at_will))))
