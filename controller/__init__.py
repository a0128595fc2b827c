"""The lowest layer: the machine file, the step program derived from it, the reference executive and C.

The names below are the public face of the package. They are loaded when first used, so that
a command that only needs an error class does not pay for the models.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .c.emit_c import emit_controller
    from .effort import Effort
    from .errors import MachineFileError, Problem, StillgateError, TextError, UsageError
    from .execution.executive import Executive
    from .expressions.grammar import parse_expression
    from .machine_file.field_types import Condition
    from .machine_file.machine import Machine
    from .machine_file.schema import machine_schema
    from .program.controller_program import ControllerProgram
    from .program.lowering import lower_controller
    from .reading.reader import MachineDocument, read_machine, read_machine_text
    from .rules.namespace import Context, Namespace
    from .rules.single_faults import fault_names

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
    "Condition": "machine_file.field_types",
    "Context": "rules.namespace",
    "ControllerProgram": "program.controller_program",
    "Effort": "effort",
    "Executive": "execution.executive",
    "Machine": "machine_file.machine",
    "MachineDocument": "reading.reader",
    "MachineFileError": "errors",
    "Namespace": "rules.namespace",
    "Problem": "errors",
    "StillgateError": "errors",
    "TextError": "errors",
    "UsageError": "errors",
    "emit_controller": "c.emit_c",
    "fault_names": "rules.single_faults",
    "lower_controller": "program.lowering",
    "machine_schema": "machine_file.schema",
    "parse_expression": "expressions.grammar",
    "read_machine": "reading.reader",
    "read_machine_text": "reading.reader",
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
