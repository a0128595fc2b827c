"""Stillgate: one readable file for the sequence logic of a machine, and everything derived from it.

The names below are the public interface; all else may change. They are loaded when first
used, so that importing the package costs next to nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .controller.errors import MachineFileError, StillgateError
    from .controller.executive import Executive
    from .controller.machine import Machine
    from .controller.reader import MachineDocument, read_machine, read_machine_text
    from .controller.schema import machine_schema
    from .interlocks.check import check
    from .interlocks.verdict import CheckResult
    from .sim_io.simulation import Simulation

__all__ = [
    "CheckResult",
    "Executive",
    "Machine",
    "MachineDocument",
    "MachineFileError",
    "Simulation",
    "StillgateError",
    "check",
    "machine_schema",
    "read_machine",
    "read_machine_text",
]

_HOME = {
    "CheckResult": "stillgate.interlocks.verdict",
    "Executive": "stillgate.controller.executive",
    "Machine": "stillgate.controller.machine",
    "MachineDocument": "stillgate.controller.reader",
    "MachineFileError": "stillgate.controller.errors",
    "Simulation": "stillgate.sim_io.simulation",
    "StillgateError": "stillgate.controller.errors",
    "check": "stillgate.interlocks.check",
    "machine_schema": "stillgate.controller.schema",
    "read_machine": "stillgate.controller.reader",
    "read_machine_text": "stillgate.controller.reader",
}


def __getattr__(name: str) -> object:
    """Loads a public name from its home at first use."""
    if name not in _HOME:
        raise AttributeError(f"module 'stillgate' has no attribute '{name}'")
    from importlib import import_module

    value: object = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
