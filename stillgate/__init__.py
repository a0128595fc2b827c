"""Stillgate: one readable file for the sequence logic of a machine, and everything derived from it.

The names below are the public interface; all else may change. They are loaded when first
used, so that importing the package costs next to nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .controller.errors import MachineFileError, ScenarioFileError, StillgateError
    from .controller.executive import Executive
    from .controller.machine import Machine
    from .controller.reader import MachineDocument, read_machine, read_machine_text
    from .controller.schema import machine_schema
    from .interlocks.check import check
    from .interlocks.scenario_run import ScenarioResult, run_scenario
    from .interlocks.verdict import CheckResult
    from .scenario_files import write_scenario
    from .sim_io.scenario import Scenario
    from .sim_io.scenario_reader import ScenarioDocument, load_scenario
    from .sim_io.simulation import Simulation

__all__ = [
    "CheckResult",
    "Executive",
    "Machine",
    "MachineDocument",
    "MachineFileError",
    "Scenario",
    "ScenarioDocument",
    "ScenarioFileError",
    "ScenarioResult",
    "Simulation",
    "StillgateError",
    "check",
    "load_scenario",
    "machine_schema",
    "read_machine",
    "read_machine_text",
    "run_scenario",
    "write_scenario",
]

_HOME = {
    "CheckResult": "stillgate.interlocks.verdict",
    "Executive": "stillgate.controller.executive",
    "Machine": "stillgate.controller.machine",
    "MachineDocument": "stillgate.controller.reader",
    "MachineFileError": "stillgate.controller.errors",
    "Scenario": "stillgate.sim_io.scenario",
    "ScenarioDocument": "stillgate.sim_io.scenario_reader",
    "ScenarioFileError": "stillgate.controller.errors",
    "ScenarioResult": "stillgate.interlocks.scenario_run",
    "Simulation": "stillgate.sim_io.simulation",
    "StillgateError": "stillgate.controller.errors",
    "check": "stillgate.interlocks.check",
    "load_scenario": "stillgate.sim_io.scenario_reader",
    "machine_schema": "stillgate.controller.schema",
    "read_machine": "stillgate.controller.reader",
    "read_machine_text": "stillgate.controller.reader",
    "run_scenario": "stillgate.interlocks.scenario_run",
    "write_scenario": "stillgate.scenario_files",
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
