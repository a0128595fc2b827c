"""A controller put into a situation, and what could happen next from there.

A situation is given, not reached: states and memory are set, inputs are taken to have had
their levels for a long time, so nothing has just risen or fallen and every delay has passed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from stillgate.controller.errors import UsageError
from stillgate.controller.execution.executive import Executive
from stillgate.controller.expressions.expression import HeldFor, walk
from stillgate.controller.machine_file.contact_words import change_of_contact
from stillgate.controller.machine_file.field_types import Condition, Milliseconds
from stillgate.controller.machine_file.machine import Automaton, Exit, Flow, Machine, Part, Travel
from stillgate.controller.program.program import ticks_up
from stillgate.sim_io.simulation.operators import rest_level
from stillgate.sim_io.simulation.simulation import Simulation

MOST_SCANS = 20_000
"""Scans after which looking ahead or settling is given up."""

NOTHING_CHANGES = "nothing changes"
"""The cause of what time alone brings."""

SWITCH_WORDS = {"on": True, "off": False, "true": True, "false": False, "1": True, "0": False}


@dataclass(frozen=True, slots=True)
class NextSituation:
    """What happens if one thing changes: an input, or nothing but the time."""

    cause: str  # 'nothing changes' or 'stop_ok opens (actuated)'
    after: Milliseconds  # until the first exit is taken
    exits: tuple[str, ...]
    outputs: tuple[tuple[str, bool], ...]  # outputs that change


def resting_levels(machine: Machine) -> dict[str, bool]:
    """Circuits that nobody touches: a normally closed contact conducts, and switches are as parts start.

    A part that may start anywhere is taken to stand still, at its first place.
    """
    placed = {name: _placed(part) for name, part in machine.parts.items()}
    first = Simulation(machine.model_copy(update={"parts": placed}), seed=0).step()
    moved = {signal for part in machine.parts.values() for signal in part.senses}
    return {
        name: first.circuits[name] if name in moved else rest_level(machine, name) for name in machine.inputs
    }


def _placed(part: Part) -> Part:
    if part.starts != "anywhere":
        return part
    match part:
        case Travel():
            place = part.stops[0]
        case Automaton():
            place = next(iter(part.states))
        case Flow():
            place = "empty"
        case _:
            place = "still"
    return part.model_copy(update={"starts": place})


def parse_settings(option: str, settings: Iterable[str]) -> dict[str, str]:
    """``name=value`` texts as a mapping.

    Raises:
        UsageError: naming the option, for a text of another form or a name given twice.
    """
    found: dict[str, str] = {}
    for text in settings:
        for item in text.replace(",", " ").split():
            name, sign, value = item.partition("=")
            if not sign or not name or not value:
                raise UsageError(f"{option}: '{item}' is not of the form name=value")
            if name in found:
                raise UsageError(f"{option}: '{name}' is given twice")
            found[name] = value
    return found


def split_values(machine: Machine, values: Mapping[str, str]) -> tuple[dict[str, bool], dict[str, int]]:
    """Levels of inputs and values of memory out of ``--with``.

    Raises:
        UsageError: for an unknown name or a value of the wrong kind.
    """
    from stillgate.controller.rules.namespace import nearest_hint

    inputs: dict[str, bool] = {}
    memory: dict[str, int] = {}
    for name, value in values.items():
        if name in machine.inputs:
            inputs[name] = _level(name, value)
        elif name in machine.memory:
            counter = machine.memory[name].range is not None
            memory[name] = _count(name, value) if counter else int(_level(name, value))
        else:
            hint = nearest_hint(name, [*machine.inputs, *machine.memory])
            raise UsageError(
                f"--with: '{name}' is neither an input nor a memory{f'; {hint}' if hint else ''}"
            )
    return inputs, memory


def situate(
    machine: Machine,
    *,
    states: Mapping[str, str],
    inputs: Mapping[str, bool],
    memory: Mapping[str, int],
    elapsed: Milliseconds = 0,
) -> Executive:
    """An executive in the situation; inputs that are not named rest.

    Raises:
        UsageError: for unknown names and values out of bounds.
    """
    executive = Executive(machine)
    for name, level in {**resting_levels(machine), **inputs}.items():
        executive.inputs[name] = level
    every = {**{name: sequence.start for name, sequence in machine.sequences.items()}, **states}
    start = {name: int(item.start) for name, item in machine.memory.items()}
    for _ in range(_settling_scans(machine)):
        executive.scan()
        executive.place(every, {**start, **memory}, elapsed)
    return executive


def outcomes(machine: Machine, executive: Executive) -> list[NextSituation]:
    """What follows if nothing changes, and if each input alone changes for good.

    A change after which the same happens as without it is left out.
    """
    before = executive.snapshot()
    longest = max((way.after or 0 for way in _exits(machine)), default=0)
    found = [_try(executive, NOTHING_CHANGES, ticks_up(longest, machine.scan) + 2)]
    for name, item in machine.inputs.items():
        level = executive.inputs[name]
        executive.restore(before)
        executive.inputs[name] = not level
        cause = f"{name} {change_of_contact(item.contact, not level)}"
        found.append(_try(executive, cause, ticks_up(item.debounce, machine.scan) + 2))
        executive.inputs[name] = level
    executive.restore(before)
    unchanged = found[0]
    same = (unchanged.after, unchanged.exits, unchanged.outputs)
    return [
        item
        for item in found
        if (item.exits or item.outputs)
        and (item is unchanged or (item.after, item.exits, item.outputs) != same)
    ]


def _try(executive: Executive, cause: str, scans: int) -> NextSituation:
    """Scans until something happens."""
    outputs = dict(executive.outputs)
    begin = executive.scans
    exits: tuple[str, ...] = ()
    for _ in range(min(scans, MOST_SCANS)):
        executive.scan()
        exits = executive.taken
        if exits or executive.outputs != outputs:
            break
    changed = tuple((name, on) for name, on in executive.outputs.items() if on != outputs[name])
    waited = (executive.scans - begin - 1) * executive.program.period
    return NextSituation(cause, waited, exits, changed)


def _settling_scans(machine: Machine) -> int:
    """Scans after which every delay and every 'held' has passed."""
    times = [item.debounce for item in machine.inputs.values()]
    times += [
        node.milliseconds
        for tree in _conditions(machine)
        for node in walk(tree.tree)
        if isinstance(node, HeldFor)
    ]
    return min(ticks_up(max(times, default=0), machine.scan) + 2, MOST_SCANS)


def _exits(machine: Machine) -> list[Exit]:
    return [
        way
        for sequence in machine.sequences.values()
        for state in sequence.states.values()
        for way in state.exits
    ]


def _conditions(machine: Machine) -> list[Condition]:
    found = [way.when for way in _exits(machine) if way.when is not None]
    found += [override.when for sequence in machine.sequences.values() for override in sequence.overrides]
    return found + [item.unless for item in machine.interlocks]


def _level(name: str, value: str) -> bool:
    if value.lower() not in SWITCH_WORDS:
        raise UsageError(f"--with: {name} is on or off, not '{value}'")
    return SWITCH_WORDS[value.lower()]


def _count(name: str, value: str) -> int:
    try:
        return int(value)
    except ValueError:
        raise UsageError(f"--with: {name} is a whole number, not '{value}'") from None
