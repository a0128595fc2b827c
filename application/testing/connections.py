"""What is connected to what in a machine: states that move what a switch senses, and what a verdict leans on.

A run that only does what people do leaves the parts where they are, and a fault drawn from all
faults is seldom one that matters. So two questions are answered from the file: which states drive
the part behind a switch, so that a run can bring the switch to a level; and which signals the parts
and outputs that a requirement speaks of are driven and sensed by, so that a run can let one of
those fail. Only suggestions are read here: a wrong one costs a detour and never a verdict.
"""

from __future__ import annotations

from collections.abc import Iterator

from stillgate.controller.expressions.expression import Expression, Name, walk
from stillgate.controller.machine_file.field_types import Condition
from stillgate.controller.machine_file.machine import (
    Automaton,
    Flow,
    Machine,
    Part,
    Requirement,
    Spin,
    Travel,
)
from stillgate.controller.rules.namespace import (
    AskedRef,
    Context,
    InputRef,
    Namespace,
    OutputRef,
    PartTruthRef,
    Reference,
    SeenRef,
)
from stillgate.interlocks.requirements.requirement_lowering import conditions_of


class Connections:
    """What is connected to what.

    Args:
        machine: the machine.

    Attributes:
        movers: states that drive the part which an input senses: (sequence, state) by input.
    """

    def __init__(self, machine: Machine) -> None:
        self._machine, self._names = machine, Namespace(machine)
        self._driven_by = {name: self._outputs_of(name, part) for name, part in machine.parts.items()}
        self.movers: dict[str, tuple[tuple[str, str], ...]] = {}
        for name, part in machine.parts.items():
            driving = self._driven_by[name]
            states = tuple(
                (sequence, state)
                for sequence, body in machine.sequences.items()
                for state, item in body.states.items()
                if driving & set(item.on)
            )
            self.movers |= dict.fromkeys(part.senses, states)

    def leans_on(self, requirement: Requirement) -> tuple[str, ...]:
        """The inputs and outputs that a requirement names, or whose parts it names."""
        found: dict[str, None] = {}
        for condition in conditions_of(requirement):
            for reference in self._references(condition.tree, Context.REQUIREMENT, None):
                match reference:
                    case (
                        InputRef(name=name) | SeenRef(name=name) | OutputRef(name=name) | AskedRef(name=name)
                    ):
                        found[name] = None
                    case PartTruthRef(part=part):
                        senses = self._machine.parts[part].senses
                        found |= dict.fromkeys((*senses, *sorted(self._driven_by[part])))
        return tuple(found)

    def _outputs_of(self, name: str, part: Part) -> set[str]:
        found: set[str] = set()
        for condition, context in _driving(part):
            for reference in self._references(condition.tree, context, name):
                if isinstance(reference, OutputRef):
                    found.add(reference.name)
        return found

    def _references(self, tree: Expression, context: Context, part: str | None) -> Iterator[Reference]:
        for node in walk(tree):
            if isinstance(node, Name):
                yield self._names.resolve(node.path, context, part)


def _driving(part: Part) -> Iterator[tuple[Condition, Context]]:
    match part:
        case Spin(drive=drive):
            yield drive, Context.DRIVE
        case Travel(forward=forward, back=back):
            yield forward, Context.DRIVE
            yield back, Context.DRIVE
        case Flow(runs_while=runs):
            yield runs, Context.PLANT
        case Automaton(states=states):
            for state in states.values():
                for item in state.exits:
                    if item.when is not None:
                        yield item.when, Context.PLANT
