"""What a log says, in words: a value, and a change of one."""

from __future__ import annotations

from stillgate.controller.machine_file.contact_words import change_of_contact
from stillgate.controller.machine_file.machine import Machine
from stillgate.interlocks.replay.replay_results import ReplayEvent
from stillgate.sim_io.logs.log import Signal, Subject, Value


def value_words(signal: Signal, value: Value) -> str:
    """A value of a log in words."""
    if value is None:
        return "unknown"
    if signal[0] is Subject.STATE:
        return str(value) or "no power"
    return str(value) if signal[0] is Subject.MEMORY else "on" if value else "off"


def replay_event_words(machine: Machine, item: ReplayEvent) -> str:
    """One thing that changed: ``harvest ready → requested (exit 2: restart)``."""
    subject, name = item.signal
    before, after = value_words(item.signal, item.before), value_words(item.signal, item.after)
    if subject in (Subject.INPUT, Subject.OUTPUT, Subject.POWER):
        if item.after is None:
            return f"{name} is unknown from here on"
        if subject is Subject.INPUT:
            return f"{name} {change_of_contact(machine.inputs[name].contact, bool(item.after), as_read=True)}"
        return f"{name} goes {after}"
    taken = f" ({item.exit_words})" if item.exit_words else ""
    return f"{name} {before} → {after}{taken}" if item.before is not None else f"{name} {after}{taken}"
