"""What every way out of a state waits for, as the machine file says it; found by coverage's name of it."""

from __future__ import annotations

from stillgate.controller.expressions.durations import format_duration, shorten
from stillgate.controller.machine_file.machine import Exit, Machine, Override

LONGEST = 110
"""Characters of a condition and of a note."""


def exit_words(machine: Machine) -> dict[str, str]:
    """``exit 2 after 200 ms: not horn_heard; a silent horn warns nobody``, and so on."""
    found = {}
    for name, sequence in machine.sequences.items():
        for number, override in enumerate(sequence.overrides, start=1):
            found[f"{name}: override {number} to {override.to}"] = f"override {number}{_waited_for(override)}"
        for key, state in sequence.states.items():
            for number, item in enumerate(state.exits, start=1):
                found[f"{name}: {key}, exit {number} to {item.to}"] = f"exit {number}{_waited_for(item)}"
    return found


def _waited_for(item: Exit | Override) -> str:
    after = f" after {format_duration(item.after)}" if isinstance(item, Exit) and item.after else ""
    texts = [item.when.text if item.when is not None else "", item.note]
    said = "; ".join(shorten(" ".join(text.split()), LONGEST) for text in texts if text)
    return f"{after}: {said}" if said else after
