"""The single faults a machine can have, by the names that files, tables and stories use."""

from __future__ import annotations

from .machine import Machine

POWER_INTERRUPTED = "power interrupted"


def fault_names(machine: Machine) -> tuple[str, ...]:
    """Every single fault: each input and output stuck on and off, and an interruption of power."""
    signals = (*machine.inputs, *machine.outputs)
    stuck = tuple(f"{name} stuck {how}" for name in signals for how in ("on", "off"))
    return (*stuck, POWER_INTERRUPTED)
