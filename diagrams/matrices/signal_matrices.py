"""Cause and effect, interlocks, inputs and outputs: the tables a reviewer goes through line by line.

All of them are derived from the machine and its Program; nothing in them was typed in.
"""

from __future__ import annotations

from collections.abc import Mapping

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.expressions.expression import Expression
from stillgate.controller.machine_file.contact_words import level_of_contact
from stillgate.controller.machine_file.machine import Contact, Exit, Input, Level, Machine, Override
from stillgate.controller.machine_file.named_conditions import conditions_in, names_in
from stillgate.controller.program.cause_and_effect import (
    MEANING,
    Cause,
    Effect,
    EffectRow,
    InputCause,
    StateCause,
    effects_of,
)

from ..diagram import plain
from ..graphs.signal_flow import asked_by, driven_parts, watched_by
from ..wording import condition_meanings, condition_words, one_line, trees_of
from .table import Table

NONE = "-"


Effects = dict[Cause, EffectRow]
"""What ``effects_of`` finds, for whoever draws several tables of one machine."""


def cause_and_effect(machine: Machine, effects: Effects | None = None) -> Table:
    """Inputs and states against outputs. A row without any effect of its own is left out, and said."""
    effects = effects_of(machine) if effects is None else effects
    outputs = tuple(machine.outputs)
    rows = [(cause, row) for cause, row in effects.items() if row]
    silent = [name for name in machine.inputs if not _either(effects, name)]
    used = [effect for effect in Effect if any(effect in marks for _, row in rows for marks in row.values())]
    notes = [f"{effect.value}: {MEANING[effect]}" for effect in used]
    notes.append(
        "An effect is listed if this one cause is enough for it within one scan, whatever all other inputs, "
        "states and timers are; an empty field says that the cause alone does not decide."
    )
    if silent:
        notes.append(f"Inputs without an effect of their own in one scan: {', '.join(silent)}.")
    return Table(
        "cause_and_effect",
        "Cause and effect",
        ("cause", *outputs),
        tuple(
            (_cause_words(machine, cause), *(_marks(row, name) for name in outputs)) for cause, row in rows
        ),
        tuple(notes),
        narrow=True,
    )


def _either(effects: dict[Cause, EffectRow], name: str) -> bool:
    return any(effects[InputCause(name, level)] for level in (False, True))


def _cause_words(machine: Machine, cause: Cause) -> str:
    match cause:
        case InputCause(name=name, level=level):
            return f"{name} {level_of_contact(machine.inputs[name].contact, level)}"
        case StateCause(sequence=sequence, state=state):
            return f"{sequence}.{state} active"


def _marks(row: EffectRow, output: str) -> str:
    return ", ".join(effect.value for effect in Effect if effect in row.get(output, ()))


def interlock_matrix(machine: Machine) -> Table:
    """Conditions against the outputs they hold off; a cell holds the interlock's number in the file."""
    numbers: dict[tuple[str, str], dict[str, list[int]]] = {}
    for number, item in enumerate(machine.interlocks, start=1):
        key = (condition_words(item.unless.written), plain(item.why))
        numbers.setdefault(key, {}).setdefault(item.hold_off, []).append(number)
    held = [name for name in machine.outputs if any(name in row for row in numbers.values())]
    free = [name for name in machine.outputs if name not in held]
    notes = ["A number is that of the interlock in the file: off unless the condition is true."]
    if free:
        notes.append(f"Outputs that no interlock holds off: {', '.join(free)}.")
    notes += _meanings(machine, [item.unless.written for item in machine.interlocks])
    return Table(
        "interlocks",
        "Interlocks",
        ("off unless", "why", *held),
        tuple(
            (words, why or NONE, *(" ".join(map(str, row.get(name, ()))) for name in held))
            for (words, why), row in numbers.items()
        ),
        tuple(notes),
        narrow=True,
    )


def exit_table(machine: Machine, sequence: str) -> Table:
    """A sequence as text: one row a way out, in the order in which a scan looks at them."""
    model = machine.sequences[sequence]
    ways: list[Exit | Override] = [*model.overrides]
    ways += [way for state in model.states.values() for way in state.exits]
    rows = [("from every state", NONE, f"override {rank}", one_line(way), way.to) for rank, way in
            enumerate(model.overrides, start=1)]  # fmt: skip
    for name, state in model.states.items():
        outputs = ", ".join(state.on) or NONE
        for rank, way in enumerate(state.exits, start=1):
            rows.append((name, outputs, f"exit {rank}", one_line(way), way.to))
        if not state.exits:
            rows.append((name, outputs, NONE, "no way out", NONE))
    return Table(
        f"exits_{sequence}",
        f"Sequence {sequence} as a table",
        ("state", "outputs it demands", "looked at", "condition", "to"),
        tuple(rows),
        (f"Start state: {model.start}.", *_meanings(machine, trees_of(ways))),
    )


def condition_list(machine: Machine) -> Table:
    """Named conditions: what each stands for, why, and where its name stands."""
    places: dict[str, dict[str, None]] = {name: {} for name in machine.conditions}
    sections: list[tuple[str, Mapping[str, object]]] = [
        ("part", machine.parts), ("sequence", machine.sequences),
        ("interlock", {str(number): lock for number, lock in enumerate(machine.interlocks, start=1)}),
        ("requirement", machine.requirements), ("condition", machine.conditions),
    ]  # fmt: skip
    for word, section in sections:
        for name, model in section.items():
            for condition in conditions_in(model):
                for node in names_in(condition.written, machine.conditions):
                    said = " (as seen.)" if node.path.startswith("seen.") else ""
                    places[node.path.removeprefix("seen.")][f"{word} {name}{said}"] = None
    rows = tuple(
        (
            name,
            condition_words(item.when.written),
            "; ".join(filter(None, (plain(item.why), plain(item.note)))) or NONE,
            ", ".join(places[name]) or "nothing",
        )
        for name, item in machine.conditions.items()
    )
    return Table(
        "conditions",
        "Named conditions",
        ("name", "stands for", "why", "stands in"),
        rows,
        (
            "Every name in a condition reads what it would read if it were written where the name stands: in "
            "a sequence what the scan begins with, in an interlock demands for outputs, in a requirement the "
            "machine itself. As seen. it is the controller's own view: seen. of every input, asked. of "
            "every output.",
        ),
    )


def _meanings(machine: Machine, trees: list[Expression]) -> list[str]:
    return [f"{name}: {words}." for name, words in condition_meanings(machine, trees).items()]


def sequence_list(machine: Machine) -> Table:
    """The sequences at a glance: states, outputs, and which other sequences each looks at."""
    rows = tuple(
        (
            name,
            model.start,
            ", ".join(model.states),
            ", ".join(asked_by(machine, name)) or NONE,
            ", ".join(watched_by(machine, name)) or NONE,
        )
        for name, model in machine.sequences.items()
    )
    return Table(
        "sequences",
        "Sequences at a glance",
        ("sequence", "state at power-on", "states", "outputs it demands", "looks at"),
        rows,
        ("Looks at: whose states or memory its conditions and the interlocks on its outputs read.",),
    )


def input_list(machine: Machine, effects: Effects | None = None) -> Table:
    """Every input: where it comes from, how its contact is built, what a broken wire looks like."""
    effects = effects_of(machine) if effects is None else effects
    return Table(
        "inputs",
        "Inputs",
        (
            "input",
            "moved by",
            "contact",
            "level while it conducts",
            "debounce",
            "wire broken",
            "then",
            "note",
        ),
        tuple(
            (
                name,
                _moved_by(machine, name),
                item.contact.value.replace("_", " "),
                item.active.value,
                format_duration(item.debounce) if item.debounce else NONE,
                _wire_broken(item),
                _consequence(effects[InputCause(name, False)]),
                plain(item.note) or NONE,
            )
            for name, item in machine.inputs.items()
        ),
        (
            "A broken wire reads as off, since a name is true while its circuit conducts.",
            "'Then' is what the controller surely does within one scan after the debounce time, from this "
            "alone; what else follows, and which requirements that breaks, is in the fault table.",
        ),
    )


def output_list(machine: Machine) -> Table:
    """Every output: its hazard, how it is switched, who demands it, what holds it off."""
    return Table(
        "outputs",
        "Outputs",
        (
            "output",
            "hazard",
            "level while driven",
            "without power",
            "moves",
            "demanded by",
            "held off by",
            "note",
        ),
        tuple(
            (
                name,
                item.hazard or NONE,
                item.active.value,
                f"off (pin {'low' if item.active is Level.HIGH else 'high'})",
                ", ".join(driven_parts(machine, name)) or NONE,
                ", ".join(
                    f"{key}.{state}"
                    for key, sequence in machine.sequences.items()
                    for state, model in sequence.states.items()
                    if name in model.on
                )
                or "nothing",
                ", ".join(
                    f"interlock {number}"
                    for number, lock in enumerate(machine.interlocks, start=1)
                    if lock.hold_off == name
                )
                or "nothing",
                plain(item.note) or NONE,
            )
            for name, item in machine.outputs.items()
        ),
        ("Outputs are off at power-on and without power, as far as the wiring sees to it.",),
    )


def _moved_by(machine: Machine, name: str) -> str:
    for part, model in machine.parts.items():
        if name in model.senses:
            return f"{part}, conducts {_sense_words(condition_words(model.senses[name].written))}"
    return "operator" if machine.inputs[name].source == "operator" else "anything (not modelled)"


def _sense_words(words: str) -> str:
    return words if words.startswith("at ") else f"while {words}"


def _wire_broken(item: Input) -> str:
    if item.contact is Contact.NORMALLY_CLOSED:
        return "reads off, as if actuated"
    return "reads off, as if not actuated"


def _consequence(row: EffectRow) -> str:
    stopped = [name for name, marks in row.items() if marks & {Effect.INTERLOCKED, Effect.DROPPED}]
    blocked = [name for name, marks in row.items() if Effect.NO_START in marks]
    words = []
    if stopped:
        words.append(f"off: {', '.join(stopped)}")
    if blocked:
        words.append(f"cannot start: {', '.join(blocked)}")
    return "; ".join(words) or "nothing by itself"
