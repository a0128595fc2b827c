"""What a stuck signal surely takes away, whatever else is so: read off cause and effect, without a search.

While an input is stuck the controller sees one level of it (after its debounce time), so what this level
alone does in one scan it does in every scan (``cause_and_effect``): an output that it holds off or that no
state can ask for then *stays off*; one that it keeps from being asked for anew *does not start again*. What
takes several scans, or two causes together, is not found here, so that nothing is lost is never claimed.

What the input can no longer do is what its other level would have done. Another contact of the same device
that alone does all of that still stands: the two are *channels* of one function. Contacts are taken for
those of one device if one part moves both and closes them under one condition or, where no part moves them,
if their names differ in the number at their end only. Of an output that is stuck on, another output is a
channel if it alone still keeps off every part that the stuck one drives, as of two valves in a row.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from stillgate.controller.expressions.expression import (
    Binary,
    Expression,
    Name,
    Not,
    Operator,
    Truth,
    walk,
)
from stillgate.controller.machine_file.machine import Automaton, Flow, Machine, Spin, Travel
from stillgate.controller.program.cause_and_effect import Cause, Effect, EffectRow, InputCause, effects_of
from stillgate.sim_io.faults.fault_list import FaultKind, faults_of

_OFF = frozenset({Effect.INTERLOCKED, Effect.DROPPED})


@dataclass(frozen=True, slots=True)
class LostFunctions:
    """What a stuck fault surely takes away.

    Attributes:
        stay_off: outputs that are not driven as long as it lasts.
        not_again: further outputs that are not asked for again once nothing asks for them.
        channels: further contacts of the device each of which alone still does all that the stuck one would;
            outputs each of which alone still keeps off all that the stuck one drives.
    """

    stay_off: tuple[str, ...] = ()
    not_again: tuple[str, ...] = ()
    channels: tuple[str, ...] = ()


NOTHING = LostFunctions()


def losses_by_fault(machine: Machine) -> dict[str, LostFunctions]:
    """What each stuck fault of a machine takes away, by its name; power is not among them."""
    effects = effects_of(machine)
    found: dict[str, LostFunctions] = {}
    for fault in faults_of(machine):
        match fault.kind:
            case FaultKind.INPUT_ON | FaultKind.INPUT_OFF:
                level = fault.kind is FaultKind.INPUT_ON
                row = effects[InputCause(fault.subject, level)]
                found[fault.name] = LostFunctions(
                    stay_off=tuple(name for name, marks in row.items() if marks & _OFF),
                    not_again=tuple(name for name, marks in row.items() if Effect.NO_START in marks),
                    channels=_channels(machine, effects, InputCause(fault.subject, not level)),
                )
            case FaultKind.OUTPUT_ON:
                found[fault.name] = LostFunctions(channels=_in_a_row(machine, fault.subject))
            case FaultKind.OUTPUT_OFF:
                found[fault.name] = LostFunctions(stay_off=(fault.subject,))
            case _:
                found[fault.name] = NOTHING
    return found


def _channels(machine: Machine, effects: dict[Cause, EffectRow], lost: InputCause) -> tuple[str, ...]:
    """Contacts of the same device that do all that the lost level would; none if that does nothing alone."""
    own = effects[lost]
    return tuple(
        name
        for name in machine.inputs
        if own
        and name != lost.name
        and _device(machine, name) == _device(machine, lost.name)
        and _covers(effects[InputCause(name, lost.level)], own)
    )


def _device(machine: Machine, name: str) -> tuple[str, str]:
    """What moves the contact, and what is told of it there."""
    for part, item in machine.parts.items():
        if name in item.senses:
            return part, item.senses[name].text
    return "", re.sub(r"_?\d+$", "", name)


def _covers(row: EffectRow, other: EffectRow) -> bool:
    """Whether a cause does at least what another does: an output that is off does not start either."""
    return all(
        (marks := row.get(output, frozenset())) & _OFF or (marks and not wanted & _OFF)
        for output, wanted in other.items()
    )


def _in_a_row(machine: Machine, output: str) -> tuple[str, ...]:
    """Outputs each of which alone keeps off whatever the output drives; none if that drives nothing."""
    drives = [tree for tree in _drives(machine) if _helps(tree, output)]
    return tuple(
        other
        for other in machine.outputs
        if other != output
        and drives
        and all(_truth(tree, {output: True, other: False}) is False for tree in drives)
    )


def _drives(machine: Machine) -> Iterator[Expression]:
    """Every condition under which a part is driven or changes its state."""
    for part in machine.parts.values():
        match part:
            case Spin():
                yield part.drive.tree
            case Travel():
                yield from (part.forward.tree, part.back.tree)
            case Flow():
                yield part.runs_while.tree
            case Automaton():
                for state in part.states.values():
                    yield from (way.when.tree for way in state.exits if way.when is not None)


def _helps(tree: Expression, name: str, *, when: bool = True) -> bool:
    """Whether a name that is true (false, if not ``when``) may make a condition true."""
    match tree:
        case Name(path=path):
            return when and path == name
        case Not(operand=operand):
            return _helps(operand, name, when=not when)
        case Binary(operator=Operator.AND | Operator.OR, left=left, right=right):
            return _helps(left, name, when=when) or _helps(right, name, when=when)
        case _:
            return any(isinstance(item, Name) and item.path == name for item in walk(tree))


def _truth(tree: Expression, known: Mapping[str, bool]) -> bool | None:
    """The truth of a condition if it follows from the names that are known, else None."""
    match tree:
        case Name(path=path):
            return known.get(path)
        case Truth(value=value):
            return value
        case Not(operand=operand):
            inner = _truth(operand, known)
            return None if inner is None else not inner
        case Binary(operator=Operator.AND | Operator.OR as operator, left=left, right=right):
            sides = {_truth(left, known), _truth(right, known)}
            decides = operator is Operator.OR
            return decides if decides in sides else None if None in sides else not decides
        case _:
            return None
