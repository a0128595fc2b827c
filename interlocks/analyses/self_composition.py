"""Two controllers in one machine: the second looks on, at the same switches, and moves nothing.

Whether two controllers ever give different outputs is a question about one machine that holds them
both: the first drives the parts, the second reads the same circuits. Everything that judges machines
then judges this one, with requirements like 'never asked.y xor asked.second y'.

The names of the second controller get a prefix that no user's name can have. Inputs are shared where
both read them alike. An input that must differ (another debounce; or a fault that only the first
controller suffers) becomes two inputs of one circuit: both hang on the part that senses it, or, where
nothing drives it, on a part that may change in any tick, which is what a free input is.
"""

from __future__ import annotations

from collections.abc import Collection

from stillgate.controller.expressions.expression import (
    At,
    Binary,
    EdgeOf,
    Expression,
    HeldFor,
    Name,
    Not,
    Span,
    canonical,
)
from stillgate.controller.machine_file.field_types import Condition, SenseCondition
from stillgate.controller.machine_file.machine import (
    Actions,
    Automaton,
    Exit,
    Interlock,
    Machine,
    Override,
    PartExit,
    PartState,
    Sequence,
)
from stillgate.controller.rules.namespace import (
    AskedRef,
    Context,
    InputRef,
    MemoryRef,
    Namespace,
    OutputRef,
    SeenRef,
    StateRef,
)

PREFIX = "second__"
_NOWHERE = Span(0, 0)


def second(name: str) -> str:
    """A name of the second controller."""
    return PREFIX + name


def is_second(name: str) -> bool:
    """Whether a name belongs to the second controller, or to a part made for it."""
    return name.startswith((PREFIX, "free__"))


def first_name(name: str) -> str:
    """A name as the second controller's own file has it."""
    return name.removeprefix(PREFIX)


def side_by_side(
    machine: Machine, other: Machine, *, own: Collection[str], parts: Collection[str]
) -> Machine:
    """The machine with another one's controller beside its own, without requirements.

    Args:
        machine: the one whose outputs drive the parts.
        other: the one whose controller looks on; its inputs must be the machine's, or be in ``own``.
        own: inputs of ``other`` that it reads in its own way, under the name ``second(name)``.
        parts: of these, inputs that nothing drives and that need a part which both hang on.
    """
    rename = _Renaming(other, frozenset(own))
    inputs = {**machine.inputs, **{second(name): other.inputs[name] for name in other.inputs if name in own}}
    made = {name: _with_twins(part, own) for name, part in machine.parts.items()}
    for name in parts:
        made[f"free__{name}"] = _free_circuit(name, shared=name in machine.inputs)
    return machine.model_copy(
        update={
            "inputs": inputs,
            "outputs": {**machine.outputs, **{second(name): item for name, item in other.outputs.items()}},
            "memory": {**machine.memory, **{second(name): item for name, item in other.memory.items()}},
            "parts": made,
            "sequences": {
                **machine.sequences,
                **{second(name): rename.sequence(item) for name, item in other.sequences.items()},
            },
            "interlocks": [*machine.interlocks, *(rename.interlock(item) for item in other.interlocks)],
            "requirements": {},
        }
    )


def _with_twins(part: object, own: Collection[str]) -> object:
    """A part whose switches have twins for the second controller."""
    senses = dict(part.senses)  # type: ignore[attr-defined]
    senses.update({second(name): condition for name, condition in senses.items() if name in own})
    return part.model_copy(update={"senses": senses})  # type: ignore[attr-defined]


def _free_circuit(name: str, *, shared: bool) -> Automaton:
    """A part that may change in any tick, and the switches on it."""
    conducts = SenseCondition("at on", At("on", _NOWHERE))
    senses = {second(name): conducts, **({name: conducts} if shared else {})}
    states = {
        "off": PartState.model_construct(exits=[PartExit.model_construct(to="on", freely=True)]),
        "on": PartState.model_construct(exits=[PartExit.model_construct(to="off", freely=True)]),
    }
    return Automaton.model_construct(kind="automaton", states=states, senses=senses, starts="anywhere")


class _Renaming:
    """Renames what a controller declares, and its inputs where it has its own."""

    def __init__(self, machine: Machine, own: frozenset[str]) -> None:
        self.names = Namespace(machine)
        self.own = own

    def sequence(self, item: Sequence) -> Sequence:
        states = {
            name: state.model_copy(
                update={
                    "on": [second(output) for output in state.on],
                    "exits": [self._exit(exit_) for exit_ in state.exits],
                }
            )
            for name, state in item.states.items()
        }
        overrides = [self._override(override) for override in item.overrides]
        return item.model_copy(update={"states": states, "overrides": overrides})

    def interlock(self, item: Interlock) -> Interlock:
        return item.model_copy(
            update={
                "hold_off": second(item.hold_off),
                "unless": self._condition(item.unless, Context.INTERLOCK),
            }
        )

    def _exit(self, item: Exit) -> Exit:
        when = None if item.when is None else self._condition(item.when, Context.GUARD)
        return item.model_copy(update={"when": when, **self._actions(item)})

    def _override(self, item: Override) -> Override:
        when = self._condition(item.when, Context.GUARD)
        return item.model_copy(update={"when": when, **self._actions(item)})

    def _actions(self, item: Actions) -> dict[str, object]:
        return {
            "do": {second(name): self._condition(value, Context.GUARD) for name, value in item.do.items()},
            "set": [second(name) for name in item.set],
            "clear": [second(name) for name in item.clear],
        }

    def _condition(self, condition: Condition, context: Context) -> Condition:
        tree = self._tree(condition.tree, context)
        return Condition(canonical(tree), tree)

    def _tree(self, tree: Expression, context: Context) -> Expression:
        match tree:
            case Name(path=path, span=span):
                return Name(self._path(path, context), span)
            case Not(operand=operand, span=span):
                return Not(self._tree(operand, context), span)
            case Binary(operator=operator, left=left, right=right, span=span):
                return Binary(operator, self._tree(left, context), self._tree(right, context), span)
            case EdgeOf(edge=edge, argument=argument, span=span):
                return EdgeOf(edge, self._tree(argument, context), span)
            case HeldFor(argument=argument, milliseconds=milliseconds, span=span):
                return HeldFor(self._tree(argument, context), milliseconds, span)
            case _:
                return tree

    def _path(self, path: str, context: Context) -> str:
        match self.names.resolve(path, context):
            case InputRef(name=name):
                return second(name) if name in self.own else name
            case SeenRef(name=name):
                return f"seen.{second(name) if name in self.own else name}"
            case OutputRef(name=name) | MemoryRef(name=name):
                return second(name)
            case AskedRef(name=name):
                return f"asked.{second(name)}"
            case StateRef(sequence=sequence, state=state):
                return f"{second(sequence)}.{state}"
            case other:
                raise AssertionError(f"{other!r} is not a name the controller knows")
