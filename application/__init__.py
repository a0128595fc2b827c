"""Stillgate: one readable file for the sequence logic of a machine, and everything derived from it.

The names below are the public interface; all else may change. They are loaded when first
used, so that importing the package costs next to nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from stillgate.controller.errors import MachineFileError, ScenarioFileError, StillgateError
    from stillgate.controller.execution.executive import Executive
    from stillgate.controller.machine_file.machine import Machine
    from stillgate.controller.machine_file.schema import machine_schema
    from stillgate.controller.reading.reader import MachineDocument, read_machine, read_machine_text
    from stillgate.interlocks.checking.checker import check
    from stillgate.interlocks.results.verdict import CheckResult
    from stillgate.interlocks.simulated_runs.scenario_run import ScenarioResult, run_scenario
    from stillgate.sim_io.scenarios.scenario import Scenario
    from stillgate.sim_io.scenarios.scenario_reader import ScenarioDocument, load_scenario
    from stillgate.sim_io.simulation.simulation import Simulation

    from .files.scenario_files import write_scenario

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
    "CheckResult": "stillgate.interlocks.results.verdict",
    "Executive": "stillgate.controller.execution.executive",
    "Machine": "stillgate.controller.machine_file.machine",
    "MachineDocument": "stillgate.controller.reading.reader",
    "MachineFileError": "stillgate.controller.errors",
    "Scenario": "stillgate.sim_io.scenarios.scenario",
    "ScenarioDocument": "stillgate.sim_io.scenarios.scenario_reader",
    "ScenarioFileError": "stillgate.controller.errors",
    "ScenarioResult": "stillgate.interlocks.simulated_runs.scenario_run",
    "Simulation": "stillgate.sim_io.simulation.simulation",
    "StillgateError": "stillgate.controller.errors",
    "check": "stillgate.interlocks.checking.checker",
    "load_scenario": "stillgate.sim_io.scenarios.scenario_reader",
    "machine_schema": "stillgate.controller.machine_file.schema",
    "read_machine": "stillgate.controller.reading.reader",
    "read_machine_text": "stillgate.controller.reading.reader",
    "run_scenario": "stillgate.interlocks.simulated_runs.scenario_run",
    "write_scenario": "stillgate.files.scenario_files",
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
