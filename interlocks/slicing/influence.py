"""What can affect what in a closed loop: the cone of influence of a requirement, counter or sequence.

A cell *depends* on every cell and input that is read in a statement that writes it, and in every condition
around that statement. The cone of a thing is all that it depends on, through any number of ticks::

    requirement -> states, memory, outputs, circuits, truths of parts
    state       -> inputs, memory, outputs and states in guards, edges and holds of these, its own time
    output      -> states that demand it, what its interlocks read
    input       -> the part that moves it; its debounce
    part        -> outputs and parts that drive it

(Cone-of-influence reduction: E. Clarke, O. Grumberg, D. Peled, *Model Checking*, 1999; dependence of
statements: M. Weiser, *Program slicing*, 1984; both from memory.) The statements of the loop are read, not
the file, so that nothing the lowering does can be forgotten here. The order of statements within a tick is
not looked at: at worst a cone is too large.

What is left out of the relation, and why nothing is lost by it:

* **whether a fault has begun** (``fault``, ``second``, ``dark``). When one may begin depends on every output
  and moved switch, so that all would depend on all. But a fault of something outside a cone changes nothing
  inside, and that it used up the budget only takes faults away from what follows: the run inside the cone is
  one that its own faults allow, with fewer of them. The power, and each fault of what is inside, are kept
  with the same budget. An output that is stuck without being noticed inside has begun there when it is.
* **whether some part asks what was so at power-on** (``Plant.undecided``): the answer is read by the part
  that asks, and by nobody else.
* **what drops dead values** (``settle``, ``live``): by its definition it changes nothing that is read.

Every statement ends and a choice always has an option, so nothing outside a cone can stop or forbid a tick.
So the loop restricted to a cone does exactly what the whole does there: every run of the whole is one of the
slice, and every run of the slice goes on in the whole, whatever the rest does (``lifted_run``).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from stillgate.controller.expressions.expression import Name, walk
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.program.footprint import Key, cells_written
from stillgate.controller.program.program import (
    Assign,
    Begin,
    Block,
    Cell,
    Choose,
    If,
    Read,
    Ref,
    Scope,
    Switch,
    Term,
    terms_in,
    walk_term,
)
from stillgate.controller.rules.namespace import Context, Namespace, PartTruthRef, StateRef

from ..loop.closed_loop import ClosedLoop, circuit_cell
from ..requirements.monitors import lower_monitors
from ..requirements.requirement_lowering import conditions_of

Cone = frozenset[str]
"""Names of the inputs, outputs, memory, parts and sequences that can affect something."""


@dataclass(frozen=True)
class Influence:
    """The dependence relation of a loop.

    Attributes:
        depends: for each cell, and each input by its name, what its next value is made of.
        owners: the name in the file that a cell belongs to.
        direct: for each such name those that it depends on without another between.
    """

    loop: ClosedLoop
    depends: dict[Key, set[Key]]
    owners: dict[Key, str]
    direct: dict[str, Cone]

    def of_requirement(self, name: str) -> Cone:
        """What can affect a requirement."""
        read = _owned(_read_by_monitor(self.loop, name), self.depends, self.owners)
        return self._reached((*read, *_named(self.loop.machine, name)))

    def of(self, name: str) -> Cone:
        """What can affect a sequence, part, input, output or memory, itself included."""
        return self._reached((name,))

    def _reached(self, names: Iterable[str]) -> Cone:
        found: set[str] = set()
        waiting = list(names)
        while waiting:
            name = waiting.pop()
            if name not in found:
                found.add(name)
                waiting += self.direct[name]
        return frozenset(found)


def _owned(roots: Iterable[Key], depends: Mapping[Key, set[Key]], owners: Mapping[Key, str]) -> set[str]:
    """Names that some cells depend on, through cells that belong to no name."""
    seen: set[Key] = set()
    names: set[str] = set()
    waiting = list(roots)
    while waiting:
        key = waiting.pop()
        if key in seen:
            continue
        seen.add(key)
        if key in owners:
            names.add(owners[key])
        else:
            waiting += depends.get(key, ())
    return names


def _read_by_monitor(loop: ClosedLoop, name: str) -> Iterator[Key]:
    alone = loop.machine.model_copy(update={"requirements": {name: loop.machine.requirements[name]}})
    circuits = {item.name: circuit_cell(item.name) for item in loop.sensed}
    monitors = lower_monitors(alone, loop.controller, loop.plant, circuits, loop.tick, early=True)
    for term in (*terms_in((*monitors.early, *monitors.block)), *(goal for _, goal in monitors.goals)):
        yield from _reads(term)


def _named(machine: Machine, requirement: str) -> Iterator[str]:
    """What the text names: a ``held`` shorter than a scan reads nothing, but its names must be known."""
    names = Namespace(machine)
    for condition in conditions_of(machine.requirements[requirement]):
        for node in walk(condition.tree):
            if isinstance(node, Name):
                match names.resolve(node.path, Context.REQUIREMENT):
                    case StateRef(sequence=name) | PartTruthRef(part=name):
                        yield name
                    case found:
                        yield found.name


def influence_of(loop: ClosedLoop) -> Influence:
    """What can affect what in a loop; of the same machine it is the same without faults and with."""
    depends: dict[Key, set[Key]] = {}
    _gather(loop, _tick(loop), frozenset(), depends)
    for cell in (loop.fault, loop.second, loop.dark):
        depends[cell] = set()
    depends = {key: read for key, read in depends.items() if not _is_monitors(key)}
    members = dict(_members(loop))
    owners = {key: name for name, keys in members.items() for key in keys}
    direct = {
        name: frozenset(_owned((item for key in keys for item in depends.get(key, ())), depends, owners))
        for name, keys in members.items()
    }
    return Influence(loop, depends, owners, direct)


def _is_monitors(key: Key) -> bool:
    """Whether it is a cell of a monitor: each requirement is looked at alone, and numbers its own."""
    return isinstance(key, Cell) and key.scope is Scope.MONITOR


def _tick(loop: ClosedLoop) -> Block:
    """Start and tick, but what drops dead values."""
    sensed = tuple(item for signal in loop.sensed for item in signal.sense)
    return (
        *loop.begin, *loop.before, *sensed, *loop.controller.observe, *loop.controller.decide,
        *loop.after, *loop.moves,
    )  # fmt: skip


def _members(loop: ClosedLoop) -> Iterator[tuple[str, tuple[Key, ...]]]:
    sensed = {item.name for item in loop.sensed}
    for signal in loop.controller.signals:
        cells: list[Key] = [signal.name, signal.pin, signal.level, *signal.memory]
        cells += [signal.was] if signal.was is not None else []
        cells += [circuit_cell(signal.name)] if signal.name in sensed else []
        yield signal.name, tuple(cells)
    for sequence in loop.controller.sequences:
        elapsed = () if sequence.elapsed is None else (sequence.elapsed,)
        yield sequence.name, (sequence.active, *elapsed)
    for cell, name in loop.controller.memory.items():
        yield name, (cell,)
    for output in loop.controller.outputs:
        yield output.name, (output.demand, output.asked, loop.plant.driven[output.name])
    for part in loop.plant.parts:
        written = cells_written((*part.begin, *part.conditions, *part.decide, *part.moves))
        told = (cell for cell, _ in part.power_on)
        yield part.name, tuple(dict.fromkeys((*part.cells, *written, *told)))


def _gather(loop: ClosedLoop, block: Block, around: frozenset[Key], depends: dict[Key, set[Key]]) -> None:
    """Takes in the statements of a block; ``around`` is what the conditions around it read."""
    for statement in block:
        match statement:
            case Assign(cell=cell, value=value):
                depends.setdefault(cell, set()).update(around, _reads(value))
            case Choose(cell=cell):
                depends.setdefault(cell, set()).update(around)
            case Begin(cell=cell, options=options):
                depends.setdefault(cell, set()).update(around, *(_reads(term) for term, _ in options))
            case If(condition=condition, then=then, otherwise=otherwise):
                asks_power_on = condition == loop.plant.undecided
                inner = around if asks_power_on else around.union(_reads(condition))
                _gather(loop, then, inner, depends)
                _gather(loop, otherwise, inner, depends)
            case Switch(cell=cell, arms=arms):
                for _, arm in arms:
                    _gather(loop, arm, around | {cell}, depends)
            case _:
                pass


def _reads(term: Term) -> Iterator[Key]:
    for node in walk_term(term):
        if isinstance(node, Ref):
            yield node.cell
        elif isinstance(node, Read):
            yield node.signal
