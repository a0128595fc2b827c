"""``python -m benchmarks [NAME ...] [--machine FILE]``; names are those of ``_NAMES``.

Run it from the root of the repository, on a quiet computer; extra ``bench`` installs numba.
"""

from __future__ import annotations

import argparse
import sys
from functools import partial
from pathlib import Path

from rich.console import Console

from stillgate.controller.c.toolchain import find_compiler
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import read_machine

from . import (
    commands,
    cross_check,
    evidence,
    exploration,
    hunting,
    logs,
    plugin,
    real_times,
    report,
    simulation,
    soak,
    watching,
)
from .figures import Figure, load, show

_DEMO = Path(__file__).parent.parent / "machines" / "lavender_harvester.yaml"
_NAMES = (
    "exploration",
    "times",
    "check",
    "simulation",
    "soak",
    "logs",
    "hunting",
    "plugin",
    "watch",
    "evidence",
    "opinion",
    "report",
    "help",
)


def _measure(name: str, file: Path, machine: Machine) -> tuple[str, list[Figure], list[str]]:
    match name:
        case "exploration":
            return "Exploration with all single faults", *exploration.measure(machine)
        case "times":
            return "Real times", *real_times.measure()
        case "check":
            return "The check as a command", *commands.measure_check(file)
        case "simulation":
            return "Simulation", *simulation.measure(machine)
        case "soak":
            return "Soak", *soak.measure(read_machine(file))
        case "logs":
            return "Replay and diagnosis", *logs.measure(read_machine(file))
        case "hunting":
            return "Planted mistakes", *hunting.measure(say=partial(print, flush=True))
        case "evidence":
            return "How strong the evidence is", *evidence.measure(file)
        case "opinion":
            return "The second opinion", *cross_check.measure(_DEMO.parent)
        case "plugin":
            return "The pytest plugin", *plugin.measure(file)
        case "watch":
            return "Watching a file", *watching.measure(file)
        case "report":
            return "The evidence report", *report.measure(file)
        case _:
            return "Help", *commands.measure_help()


def main() -> int:
    """Measures and prints; 1 if a target was missed."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("names", nargs="*", help=f"what to measure; default all of {', '.join(_NAMES)}")
    parser.add_argument("--machine", type=Path, default=_DEMO, help="machine file; default the demonstration")
    given = parser.parse_args()
    unknown = [name for name in given.names if name not in _NAMES]
    if unknown:
        parser.error(f"'{unknown[0]}' is not a benchmark; there are {', '.join(_NAMES)}")
    machine = read_machine(given.machine).machine
    console = Console(width=110)
    console.print(f"{find_compiler().command[0]}, Python {sys.version.split()[0]}, {load()}", highlight=False)
    missed = False
    for name in _NAMES:
        if given.names and name not in given.names:
            continue
        title, figures, notes = _measure(name, given.machine, machine)
        show(console, title, figures, [*notes, load()])
        missed |= any(item.met is False for item in figures)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
