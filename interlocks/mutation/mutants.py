"""Every weakening of a machine file, and one controller that can be weakened in all those ways.

A weakening is one of: an atom of a condition of an exit, override or interlock taken as true or as
false (an atom is a name, a comparison, an edge or a hold); an interlock, override or exit removed; a
time zeroed or doubled (of an exit, a hold or a debounce).

Compiling and lowering hundreds of machines that differ in one place would take longer than
searching them. So one machine is built that holds them all, each behind a *switch*, an input whose
answer the checker is told beforehand::

    atom a               s1 or (not s2 and a)                      s1: taken as true, s2: as false
    exit or override     not s3 and condition                      s3: removed
    interlock            s4 or condition                           s4: removed
    exit after t         [s5 and condition], then as it was        s5: zeroed

With every switch off it is the machine of the file. Doubled times need longer counters, which would
cost every other search, so they have a machine of their own; a debounce is no condition, so each of
its weakenings is a machine of its own, too.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.expressions.expression import (
    Binary,
    Expression,
    HeldFor,
    Name,
    Not,
    Operator,
    Span,
    Truth,
    canonical,
    walk,
)
from stillgate.controller.machine_file.field_types import Condition, Milliseconds
from stillgate.controller.machine_file.machine import Exit, Input, Interlock, Machine, Override, Sequence
from stillgate.controller.program.controller_program import ControllerProgram
from stillgate.controller.program.lowering import lower_controller
from stillgate.controller.program.program_map import without_signals
from stillgate.controller.reading.reader import MachineDocument

from ..results.weakenings import Weakening, WeakeningKind

_NOWHERE = Span(0, 0)
_JOINTS = (Operator.AND, Operator.OR, Operator.XOR)

YamlPath = tuple[str | int, ...]
"""Keys and indices that lead to a value of the machine file."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A weakening to be judged.

    ``switch`` turns it on in its machine; it is empty where ``machine`` itself is the weakened one.
    ``names`` are those that the weakened condition reads, as paths, and the outputs it concerns.
    """

    weakening: Weakening
    switch: str
    names: frozenset[str]
    machine: Machine | None = None


@dataclass(frozen=True)
class Weakenings:
    """All weakenings of a machine, in the order of the file.

    ``switched`` holds those with a switch, but for doubled times, which ``doubled`` holds.
    """

    candidates: tuple[Candidate, ...]
    switched: Machine
    doubled: Machine

    def is_doubling(self, candidate: Candidate) -> bool:
        """Whether its switch is in ``doubled``."""
        return candidate.weakening.kind is WeakeningKind.TIME_DOUBLED


def is_switch(name: str) -> bool:
    """Whether an input is a switch; no user's name has two underscores in a row."""
    return name.startswith("weak__")


def switched_controller(machine: Machine, period: Milliseconds) -> ControllerProgram:
    """The controller of a machine with switches, which are answered from outside and sensed by nothing."""
    program = lower_controller(machine, period=period)
    return without_signals(program, [item.name for item in program.signals if is_switch(item.name)])


def weakenings_of(document: MachineDocument) -> Weakenings:
    """Every weakening of a machine file."""
    plain = _Weakener(document, doubling=False)
    switched = plain.machine()
    doubled = _Weakener(document, doubling=True).machine()
    return Weakenings((*plain.found, *_debounces(document, len(plain.found))), switched, doubled)


@dataclass
class _Weakener:
    """Rewrites a machine, behind switches, condition by condition; counts the same in both modes."""

    document: MachineDocument
    doubling: bool
    found: list[Candidate] = field(default_factory=list)
    names: frozenset[str] = frozenset()  # of the condition at hand
    where: str = ""
    path: YamlPath = ()

    def machine(self) -> Machine:
        """The machine with its switches."""
        given = self.document.machine
        sequences = {name: self._sequence(name, item) for name, item in given.sequences.items()}
        interlocks = [self._interlock(i, item) for i, item in enumerate(given.interlocks)]
        switches = {item.switch: Input.model_construct() for item in self.found}
        return given.model_copy(
            update={
                "inputs": {**given.inputs, **switches}, "sequences": sequences, "interlocks": interlocks,
            }
        )  # fmt: skip

    # -- sections --------------------------------------------------------------------------

    def _sequence(self, name: str, sequence: Sequence) -> Sequence:
        base: YamlPath = ("sequences", name)
        overrides = [
            self._override(f"{name}: override {i + 1} to {item.to}", (*base, "overrides", i), item)
            for i, item in enumerate(sequence.overrides)
        ]
        states: dict[str, Any] = {}
        for key, state in sequence.states.items():
            exits = [
                made
                for i, item in enumerate(state.exits)
                for made in self._exit(
                    f"{name}: {key}, exit {i + 1} to {item.to}", (*base, "states", key, "exits", i), item,
                    frozenset(state.on),
                )
            ]  # fmt: skip
            states[key] = state.model_copy(update={"exits": exits})
        return sequence.model_copy(update={"overrides": overrides, "states": states})

    def _override(self, where: str, path: YamlPath, item: Override) -> Override:
        self._at(where, path, item.when, frozenset())
        removed = self._switch(WeakeningKind.OVERRIDE_REMOVED, item.when.text)
        return item.model_copy(update={"when": _condition(_unless(removed, self._weaken(item.when)))})

    def _exit(self, where: str, path: YamlPath, item: Exit, outputs: frozenset[str]) -> list[Exit]:
        self._at(where, path, item.when, outputs)
        subject = item.when.text if item.when is not None else f"after {format_duration(item.after or 0)}"
        removed = self._switch(WeakeningKind.EXIT_REMOVED, subject)
        guard = _unless(removed, self._weaken(item.when) if item.when is not None else None)
        if not item.after:
            return [item.model_copy(update={"when": _maybe(guard)})]
        zeroed = self._switch(WeakeningKind.TIME_ZEROED, format_duration(item.after))
        doubled = self._switch(WeakeningKind.TIME_DOUBLED, format_duration(item.after))
        made = [item.model_copy(update={"when": _maybe(_unless(doubled, guard))})]
        if zeroed is not None:
            made.insert(0, item.model_copy(update={"when": _maybe(_both(zeroed, guard)), "after": None}))
        if doubled is not None:
            late = {"when": _maybe(_both(doubled, guard)), "after": 2 * item.after}
            made.append(item.model_copy(update=late))
        return made

    def _interlock(self, number: int, item: Interlock) -> Interlock:
        where = f"interlock {number + 1} on {item.hold_off}"
        self._at(where, ("interlocks", number), item.unless, frozenset((item.hold_off,)))
        removed = self._switch(WeakeningKind.INTERLOCK_REMOVED, f"{item.hold_off} unless {item.unless.text}")
        tree = self._weaken(item.unless)
        return item.model_copy(
            update={"unless": _condition(tree if removed is None else _join(Operator.OR, removed, tree))}
        )

    # -- conditions ------------------------------------------------------------------------

    def _weaken(self, condition: Condition) -> Expression:
        path = self.path
        self.path = (*path, "unless" if path[0] == "interlocks" else "when")
        tree = self._tree(condition.tree)
        self.path = path
        return tree

    def _tree(self, tree: Expression) -> Expression:
        match tree:
            case Not(operand=operand):
                return Not(self._tree(operand), tree.span)
            case Binary(operator=operator, left=left, right=right) if operator in _JOINTS:
                return Binary(operator, self._tree(left), self._tree(right), tree.span)
            case Truth():
                return tree
        taken_true = self._switch(WeakeningKind.ATOM_TRUE, canonical(tree), tree.span)
        taken_false = self._switch(WeakeningKind.ATOM_FALSE, canonical(tree), tree.span)
        atom = self._hold(tree) if isinstance(tree, HeldFor) else tree
        atom = atom if taken_false is None else _join(Operator.AND, Not(taken_false, _NOWHERE), atom)
        return atom if taken_true is None else _join(Operator.OR, taken_true, atom)

    def _hold(self, tree: HeldFor) -> Expression:
        if not tree.milliseconds:
            return tree
        subject = canonical(tree)
        zeroed = self._switch(WeakeningKind.TIME_ZEROED, subject, tree.span)
        doubled = self._switch(WeakeningKind.TIME_DOUBLED, subject, tree.span)
        made: Expression = tree
        for switch, time in ((zeroed, 0), (doubled, 2 * tree.milliseconds)):
            if switch is not None:
                other = HeldFor(tree.argument, time, tree.span)
                kept = _join(Operator.AND, Not(switch, _NOWHERE), made)
                made = _join(Operator.OR, kept, _join(Operator.AND, switch, other))
        return made

    # -- switches --------------------------------------------------------------------------

    def _at(self, where: str, path: YamlPath, when: Condition | None, outputs: frozenset[str]) -> None:
        self.where, self.path = where, path
        read = [node.path for node in walk(when.tree) if isinstance(node, Name)] if when is not None else []
        self.names = frozenset(read) | outputs

    def _switch(self, kind: WeakeningKind, subject: str, span: Span | None = None) -> Expression | None:
        """A new switch, or None if this machine has none for such a weakening."""
        name = f"weak__{len(self.found)}"
        problem = self.document.positions.problem(self.path, "", span=span)
        weakening = Weakening(
            kind=kind,
            place=self.where,
            subject=subject,
            text=f"{self.where}: {_words(kind, subject)}",
            line=problem.line,
            column=problem.column,
            noticed=None,
        )
        self.found.append(Candidate(weakening, name, self.names))
        if (kind is WeakeningKind.TIME_DOUBLED) is not self.doubling:
            return None
        return Name(name, _NOWHERE)


def _words(kind: WeakeningKind, subject: str) -> str:
    match kind:
        case WeakeningKind.ATOM_TRUE | WeakeningKind.ATOM_FALSE:
            return f"'{subject}' {kind.value!s}"
        case WeakeningKind.TIME_ZEROED | WeakeningKind.TIME_DOUBLED:
            return f"{subject}, {kind.value}"
        case _:
            return str(kind.value)


def _debounces(document: MachineDocument, first: int) -> list[Candidate]:
    found: list[Candidate] = []
    machine = document.machine
    for name, item in machine.inputs.items():
        if not item.debounce:
            continue
        line, column = document.place(("inputs", name, "debounce"))
        for kind, time in (
            (WeakeningKind.TIME_ZEROED, 0),
            (WeakeningKind.TIME_DOUBLED, 2 * item.debounce),
        ):
            subject = f"debounce of {format_duration(item.debounce)}"
            where = f"input {name}"
            weakening = Weakening(
                kind, where, subject, f"{where}: {_words(kind, subject)}", line, column, None
            )
            inputs = {**machine.inputs, name: item.model_copy(update={"debounce": time})}
            weakened = machine.model_copy(update={"inputs": inputs})
            found.append(Candidate(weakening, "", frozenset((name,)), weakened))
    return found


# -- trees -----------------------------------------------------------------------------------------


def _join(operator: Operator, left: Expression, right: Expression) -> Expression:
    return Binary(operator, left, right, _NOWHERE)


def _unless(switch: Expression | None, tree: Expression | None) -> Expression | None:
    """``not switch and tree``; no switch or no tree is no condition."""
    if switch is None:
        return tree
    off = Not(switch, _NOWHERE)
    return off if tree is None else _join(Operator.AND, off, tree)


def _both(switch: Expression, tree: Expression | None) -> Expression:
    return switch if tree is None else _join(Operator.AND, switch, tree)


def _condition(tree: Expression | None) -> Condition:
    assert tree is not None
    return Condition(canonical(tree), tree)


def _maybe(tree: Expression | None) -> Condition | None:
    return None if tree is None else _condition(tree)
