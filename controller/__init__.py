"""Floor 1: the machine file, the step program derived from it, the reference executive and C.

The names below are the public face of the package. They are loaded when first used, so that
a command that only needs an error class does not pay for the models.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .effort import Effort
    from .emit_c import emit_controller
    from .errors import MachineFileError, Problem, StillgateError, TextError, UsageError
    from .executive import Executive
    from .grammar import parse_expression
    from .lowering import lower_controller
    from .machine import Machine
    from .namespace import Context, Namespace
    from .program import ControllerProgram
    from .quantities import Condition
    from .reader import MachineDocument, read_machine, read_machine_text
    from .schema import machine_schema
    from .single_faults import fault_names

__all__ = [
    "Condition",
    "Context",
    "ControllerProgram",
    "Effort",
    "Executive",
    "Machine",
    "MachineDocument",
    "MachineFileError",
    "Namespace",
    "Problem",
    "StillgateError",
    "TextError",
    "UsageError",
    "emit_controller",
    "fault_names",
    "lower_controller",
    "machine_schema",
    "parse_expression",
    "read_machine",
    "read_machine_text",
]

_HOME = {
    "Condition": "quantities",
    "Context": "namespace",
    "ControllerProgram": "program",
    "Effort": "effort",
    "Executive": "executive",
    "Machine": "machine",
    "MachineDocument": "reader",
    "MachineFileError": "errors",
    "Namespace": "namespace",
    "Problem": "errors",
    "StillgateError": "errors",
    "TextError": "errors",
    "UsageError": "errors",
    "emit_controller": "emit_c",
    "fault_names": "single_faults",
    "lower_controller": "lowering",
    "machine_schema": "schema",
    "parse_expression": "grammar",
    "read_machine": "reader",
    "read_machine_text": "reader",
}


def __getattr__(name: str) -> object:
    """Loads a public name from its home at first use."""
    if name not in _HOME:
        raise AttributeError(f"module '{__name__}' has no attribute '{name}'")
    from importlib import import_module

    value: object = getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
