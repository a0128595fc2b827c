"""The single faults a machine can have, by the names that files, tables and stories use."""

from __future__ import annotations

from ..machine_file.machine import Machine

POWER_INTERRUPTED = "power interrupted"


def stuck_name(signal: str, *, on: bool) -> str:
    """Name of the fault that an input or output is stuck on or off."""
    return f"{signal} stuck {'on' if on else 'off'}"


def fault_names(machine: Machine) -> tuple[str, ...]:
    """Every single fault: each input and output stuck on and off, and an interruption of power."""
    signals = (*machine.inputs, *machine.outputs)
    stuck = tuple(stuck_name(name, on=on) for name in signals for on in (True, False))
    return (*stuck, POWER_INTERRUPTED)
