"""For tests of machines: strategies of Hypothesis, and what the pytest plugin collects.

The names below are the public interface. They are loaded when first used, so that the pytest
plugin does not load Hypothesis.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .failures import RequirementBroken
    from .for_machine import machine_rules
    from .rules import MachineRules
    from .strategies import fault_schedules, input_sequences, operators, scenarios, switch_disturbances

_HOME = {
    "MachineRules": "rules",
    "RequirementBroken": "failures",
    "fault_schedules": "strategies",
    "input_sequences": "strategies",
    "machine_rules": "for_machine",
    "operators": "strategies",
    "scenarios": "strategies",
    "switch_disturbances": "strategies",
}

__all__ = [
    "MachineRules",
    "RequirementBroken",
    "fault_schedules",
    "input_sequences",
    "machine_rules",
    "operators",
    "scenarios",
    "switch_disturbances",
]


def __getattr__(name: str) -> object:
    """Loads a public name from its home at first use.

    Raises:
        ImportError: if Hypothesis is not installed, saying how to get it.
    """
    if name not in _HOME:
        raise AttributeError(f"module '{__name__}' has no attribute '{name}'")
    from importlib import import_module

    try:
        value: object = getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
    except ModuleNotFoundError as error:
        if error.name != "hypothesis":
            raise
        raise ImportError(
            "stillgate.testing needs the library hypothesis:  pip install 'stillgate[pytest]'"
        ) from None
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
