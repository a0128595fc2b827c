"""Scenarios as files: written whole or not at all."""

from __future__ import annotations

from pathlib import Path

from stillgate.sim_io.scenarios.scenario import Scenario
from stillgate.sim_io.scenarios.scenario_writer import scenario_text

from .whole_files import write_whole


def write_scenario(scenario: Scenario, path: str | Path) -> None:
    """Writes a scenario file; ``load_scenario`` reads it back equal.

    Args:
        scenario: its ``machine`` is the machine file seen from the folder of ``path``.
        path: the file; by custom its name ends in ``.scenario.yaml``.

    Raises:
        OSError: if the folder cannot be written.
    """
    write_whole(Path(path), scenario_text(scenario).encode())
