"""What must fit together across the sections of a machine file.

Every rule is a function that yields findings; a finding knows the path of keys and indices
that leads to it in the file, and where it helps the characters inside a text. Rules about
parts stand in ``part_rules``, about named conditions in ``condition_rules``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from ..expressions.durations import format_duration
from ..expressions.expression import Name, Truth, walk
from ..machine_file.field_types import Condition, Milliseconds
from ..machine_file.machine import (
    Actions,
    Exit,
    FromAnywhere,
    Machine,
    Reach,
    Requirement,
    Response,
    Sequence,
    State,
)
from .condition_rules import condition_findings
from .findings import Path, RuleFinding, check_name, error, expression_findings, warning
from .kinds import Kind
from .namespace import Context, Namespace, memory_bounds, nearest_hint
from .part_rules import part_findings
from .single_faults import fault_names


def findings(machine: Machine) -> Iterator[RuleFinding]:
    """Every rule that the machine breaks, errors and warnings, in no particular order."""
    names = Namespace(machine)
    yield from _name_findings(machine, names)
    yield from _signal_findings(machine)
    yield from _memory_findings(machine)
    for key, sequence in machine.sequences.items():
        yield from _sequence_findings(names, key, sequence)
    yield from _interlock_findings(names)
    yield from part_findings(names)
    yield from condition_findings(names)
    yield from _requirement_findings(names)
    yield from _check_findings(machine)
    yield from _use_findings(machine)


# -- names ---------------------------------------------------------------------------------


def _name_findings(machine: Machine, names: Namespace) -> Iterator[RuleFinding]:
    for name, first, second in names.collisions:
        yield error(
            (second, name), f"'{name}' is already the name of one of the {first}",
            "sequences, parts, inputs, outputs, memory and conditions share one set of names",
            at_key=True, name=name,
        )  # fmt: skip
    folded: dict[str, str] = {}
    for path in named_paths(machine):
        name = str(path[-1])
        if len(path) == 2 and path[0] not in ("requirements", "hazards"):
            first = folded.setdefault(name.lower(), name)
            if first != name:
                yield warning(
                    path, f"'{name}' and '{first}' differ in case only",
                    "IEC 61131-3 makes no difference between them", at_key=True,
                )  # fmt: skip


def named_paths(machine: Machine) -> Iterator[Path]:
    """Where each name stands that the file gives to something."""
    for section in (
        "inputs", "outputs", "memory", "parts", "conditions", "sequences", "requirements", "hazards"
    ):  # fmt: skip
        for name in getattr(machine, section):
            yield (section, name)
    for key, sequence in machine.sequences.items():
        for state in sequence.states:
            yield ("sequences", key, "states", state)


def _signal_findings(machine: Machine) -> Iterator[RuleFinding]:
    driven = {
        name for sequence in machine.sequences.values() for s in sequence.states.values() for name in s.on
    }
    for name, output in machine.outputs.items():
        if name not in driven:
            yield warning(
                ("outputs", name), f"nothing drives the output '{name}'",
                f"a state drives it with 'on: [{name}]'", at_key=True,
            )  # fmt: skip
        yield from _hazard_findings(machine, ("outputs", name), output.hazard)


def _hazard_findings(machine: Machine, path: Path, hazard: str | None) -> Iterator[RuleFinding]:
    if hazard is not None and machine.hazards and hazard not in machine.hazards:
        yield error(
            (*path, "hazard"), f"there is no hazard '{hazard}' under 'hazards'",
            nearest_hint(hazard, machine.hazards), name=hazard,
        )  # fmt: skip


# -- memory --------------------------------------------------------------------------------


def _memory_findings(machine: Machine) -> Iterator[RuleFinding]:
    for name, memory in machine.memory.items():
        path: Path = ("memory", name, "start")
        low, high = memory_bounds(memory)
        if memory.range is None:
            if not isinstance(memory.start, bool):
                yield error(
                    path, f"'{name}' is a bit and starts true or false",
                    f"a counter has a range, as in '{{range: 0..5, start: {memory.start}}}'",
                )  # fmt: skip
        elif isinstance(memory.start, bool) and "start" in memory.model_fields_set:
            yield error(path, f"'{name}' is a counter and starts with a number", f"say 'start: {low}'")
        elif not low <= int(memory.start) <= high:
            yield error(
                path, f"'{name}' starts with {int(memory.start)}, outside its range {low}..{high}",
                f"say 'start: {low}'", at_key="start" not in memory.model_fields_set,
            )  # fmt: skip
    writers: dict[str, str] = {}
    for path, actions in _actions(machine):
        sequence = str(path[1])
        for where, name in _written(actions):
            first = writers.setdefault(name, sequence)
            if name in machine.memory and first != sequence:
                yield error(
                    (*path, *where), f"'{name}' is written by the sequence '{first}' already",
                    "one sequence writes a memory, others may read it", at_key=where[0] == "do",
                )  # fmt: skip


def _actions(machine: Machine) -> Iterator[tuple[Path, Actions]]:
    for key, sequence in machine.sequences.items():
        for number, override in enumerate(sequence.overrides):
            yield ("sequences", key, "overrides", number), override
        for state_name, state in sequence.states.items():
            for number, item in enumerate(state.exits):
                yield ("sequences", key, "states", state_name, "exits", number), item


def _written(actions: Actions) -> Iterator[tuple[Path, str]]:
    yield from ((("do", name), name) for name in actions.do)
    yield from ((("set", number), name) for number, name in enumerate(actions.set))
    yield from ((("clear", number), name) for number, name in enumerate(actions.clear))


def _action_findings(names: Namespace, path: Path, actions: Actions) -> Iterator[RuleFinding]:
    memory = names.machine.memory
    seen: set[str] = set()
    for where, name in _written(actions):
        place = (*path, *where)
        verb = str(where[0])
        at_key = verb == "do"
        if name not in memory:
            yield from check_name(names, place, name, "memory", at_key=at_key)
            continue
        if name in seen:
            yield error(place, f"this exit writes '{name}' twice", "keep one of the two", at_key=at_key)
        seen.add(name)
        counter = memory[name].range is not None
        if verb == "do":
            wanted = Kind.NUMBER if counter else Kind.TRUTH
            yield from expression_findings(names, place, actions.do[name], Context.GUARD, wanted=wanted)
        elif counter:
            low, _ = memory_bounds(memory[name])
            yield error(
                place, f"'{name}' is a counter and cannot be {'set' if verb == 'set' else 'cleared'}",
                f"say 'do: {{{name}: {low}}}'",
            )  # fmt: skip


# -- sequences -----------------------------------------------------------------------------


def _sequence_findings(names: Namespace, key: str, sequence: Sequence) -> Iterator[RuleFinding]:
    path: Path = ("sequences", key)
    states = sequence.states
    if sequence.start not in states:
        yield _no_state((*path, "start"), key, sequence.start, states)
    for number, override in enumerate(sequence.overrides):
        place = (*path, "overrides", number)
        if override.to not in states:
            yield _no_state((*place, "to"), key, override.to, states)
        yield from expression_findings(names, (*place, "when"), override.when, Context.GUARD)
        yield from _action_findings(names, place, override)
    entered = {sequence.start, *(override.to for override in sequence.overrides)}
    entered |= {item.to for name, state in states.items() for item in state.exits if item.to != name}
    for name, state in states.items():
        place = (*path, "states", name)
        yield from _state_findings(names, place, state, sequence)
        if name not in entered:
            yield warning(
                place,
                f"no exit leads to the state '{name}'",
                "let an exit lead here, or remove it",
                at_key=True,
            )


def _state_findings(names: Namespace, path: Path, state: State, sequence: Sequence) -> Iterator[RuleFinding]:
    name = str(path[-1])
    seen: set[str] = set()
    for number, output in enumerate(state.on):
        place = (*path, "on", number)
        yield from check_name(names, place, output, "outputs")
        if output in seen:
            yield warning(place, f"'{output}' stands here twice", "once is enough")
        seen.add(output)
    for number, item in enumerate(state.exits):
        yield from _exit_findings(names, (*path, "exits", number), item, sequence)
    for number, item in enumerate(state.exits[:-1]):
        if (
            item.after is None
            and item.when is not None
            and item.when.tree == Truth(True, item.when.tree.span)
        ):
            yield warning(
                (*path, "exits", number + 1), "this exit is never taken: the one before it always is",
                "put the exit 'when: true' last",
            )  # fmt: skip
            break
    leads_out = any(item.to != name for item in state.exits) or any(o.to != name for o in sequence.overrides)
    if len(sequence.states) == 1:  # there is nowhere else to go: what it does, its exits do
        leads_out = bool(state.exits)
    if state.end and state.exits:
        yield warning(
            (*path, "end"), f"'{name}' is marked as an end and has exits", "remove 'end: true' or the exits"
        )
    elif not leads_out and not state.end:
        yield warning(
            path,
            f"no exit leads out of the state '{name}'",
            "say 'end: true' if it is meant as an end",
            at_key=True,
        )


def _exit_findings(names: Namespace, path: Path, item: Exit, sequence: Sequence) -> Iterator[RuleFinding]:
    if item.to not in sequence.states:
        yield _no_state((*path, "to"), str(path[1]), item.to, sequence.states)
    if item.when is None and item.after is None:
        yield error(
            path, "this exit has neither 'when' nor 'after' and would be taken at once",
            "say 'when: true' if that is meant",
        )  # fmt: skip
    if item.when is not None:
        yield from expression_findings(names, (*path, "when"), item.when, Context.GUARD)
    yield from _action_findings(names, path, item)


def _no_state(path: Path, sequence: str, state: str, states: Iterable[str]) -> RuleFinding:
    return error(
        path, f"the sequence '{sequence}' has no state '{state}'", nearest_hint(state, states), name=state
    )


# -- interlocks, requirements, check ---------------------------------------------------------


def _interlock_findings(names: Namespace) -> Iterator[RuleFinding]:
    for number, interlock in enumerate(names.machine.interlocks):
        path: Path = ("interlocks", number)
        yield from check_name(names, (*path, "hold_off"), interlock.hold_off, "outputs")
        yield from expression_findings(names, (*path, "unless"), interlock.unless, Context.INTERLOCK)


def requirement_conditions(requirement: Requirement) -> Iterator[tuple[str, Condition]]:
    """The conditions of a requirement by their keys in the file."""
    for field, info in type(requirement).model_fields.items():
        value = getattr(requirement, field)
        if isinstance(value, Condition):
            yield info.alias or field, value


def _requirement_findings(names: Namespace) -> Iterator[RuleFinding]:
    machine = names.machine
    for key, requirement in machine.requirements.items():
        path: Path = ("requirements", key)
        yield from _hazard_findings(machine, path, requirement.hazard)
        for field, condition in requirement_conditions(requirement):
            yield from expression_findings(names, (*path, field), condition, Context.REQUIREMENT)
        if isinstance(requirement, Reach | FromAnywhere) and requirement.faults:
            yield warning(
                (*path, "faults"),
                "what is possible is judged without faults, so 'faults' says nothing here",
                "leave it out; what must hold with a fault is said by never, always, after or before",
            )
        if isinstance(requirement, Response) and requirement.within < machine.scan:
            yield warning(
                (*path, "within"),
                f"{format_duration(requirement.within)} is shorter than one scan and cannot be kept",
                f"a switch may change just after it was read: {format_duration(machine.scan)} is the least",
            )  # fmt: skip
    named = {requirement.hazard for requirement in machine.requirements.values()}
    for hazard in machine.hazards:
        if hazard not in named:
            yield warning(
                ("hazards", hazard), f"no requirement names the hazard '{hazard}'",
                f"say 'hazard: {hazard}' at the requirements that guard against it", at_key=True,
            )  # fmt: skip


def tick_problem(tick: Milliseconds, scan: Milliseconds) -> tuple[str, str] | None:
    """Why a machine cannot be explored at a tick, and what to say instead; None if it can."""
    if tick < scan:
        return (
            f"a tick of {format_duration(tick)} is shorter than the scan, {format_duration(scan)}",
            f"say '{format_duration(scan)}' or more",
        )
    if tick % scan:
        below = tick // scan * scan
        return (
            f"a tick of {format_duration(tick)} is no whole number of scans of {format_duration(scan)}",
            f"say '{format_duration(below)}' or '{format_duration(below + scan)}'",
        )
    return None


def _check_findings(machine: Machine) -> Iterator[RuleFinding]:
    tick = machine.check.tick
    if tick is not None and (problem := tick_problem(tick, machine.scan)) is not None:
        yield error(("check", "tick"), *problem)
    known = fault_names(machine)
    seen: set[str] = set()
    for number, exclusion in enumerate(machine.check.exclude):
        path: Path = ("check", "exclude", number, "fault")
        if exclusion.fault not in known:
            hint = nearest_hint(exclusion.fault, known)
            yield error(
                path, f"the machine has no fault '{exclusion.fault}'",
                hint or "faults are '<input or output> stuck on', '... stuck off' and 'power interrupted'",
                name=exclusion.fault.partition(" ")[0],
            )  # fmt: skip
        elif exclusion.fault in seen:
            yield warning(path, f"'{exclusion.fault}' is excluded twice", "once is enough")
        seen.add(exclusion.fault)


# -- use -------------------------------------------------------------------------------------


def conditions_of(machine: Machine) -> Iterator[Condition]:
    """Every expression of the controller and the requirements."""
    for sequence in machine.sequences.values():
        for override in sequence.overrides:
            yield override.when
        for state in sequence.states.values():
            yield from (item.when for item in state.exits if item.when is not None)
    for _, actions in _actions(machine):
        yield from actions.do.values()
    yield from (interlock.unless for interlock in machine.interlocks)
    for requirement in machine.requirements.values():
        yield from (condition for _, condition in requirement_conditions(requirement))


def _use_findings(machine: Machine) -> Iterator[RuleFinding]:
    used = {
        node.path.removeprefix("seen.")
        for condition in conditions_of(machine)
        for node in walk(condition.tree)
        if isinstance(node, Name)
    }
    for name in machine.inputs:
        if name not in used:
            yield warning(
                ("inputs", name),
                f"nothing reads the input '{name}'",
                "use it in a guard, or remove it",
                at_key=True,
            )
    written = {name for _, actions in _actions(machine) for _, name in _written(actions)}
    for name in machine.memory:
        if name not in written:
            yield warning(
                ("memory", name),
                f"nothing writes '{name}'",
                "an exit writes it with 'do', 'set' or 'clear'",
                at_key=True,
            )
        elif name not in used:
            yield warning(
                ("memory", name), f"nothing reads '{name}'", "use it in a guard, or remove it", at_key=True
            )
