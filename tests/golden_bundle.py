"""Digests of all that the program makes of our machines: what a change of the layout must leave as it is.

Made before such a change and again after each commit of it, and compared::

    cd tests
    python -m golden_bundle before.json --keep before
    python -m golden_bundle after.json --keep after --against before.json

An entry is one text: a generated file, a printed result, a drawing. Seconds and the number of threads are
taken out of it, since they are not the machine's; all else must be the same byte for byte. The second
command names every entry that differs and ends with status 1 if there is one; with ``--keep`` the texts
stand in a folder too, to be laid side by side. ``--fast`` leaves out what takes minutes: searches of the
harvester, and everything that searches many times.

The command that is run is this Python's own ``stillgate``, so another version is looked at by running
this file with a Python that has it.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from stillgate.controller.c.emit_c import emit_controller
from stillgate.controller.reading.reader import read_machine
from stillgate.interlocks.certificates.certify import certificate_loop
from stillgate.interlocks.exploration.emit_checker import checker_source

MACHINES = Path(__file__).resolve().parent.parent / "machines"
DATE = "2026-03-31"
LARGE = "harvester"
"""In the name of every machine whose search takes more than a few seconds."""

_OF_THIS_RUN = re.compile(r'"(seconds|threads|bytes)": [\d.]+')
SCHEMAS = (
    "machine", "scenario", "column-map", "check", "run", "scenario-result", "faults", "soak", "explain",
    "log", "replay", "diagnose", "fault-table", "layers", "strength", "compare", "confirm", "recheck", "draw",
)  # fmt: skip
COMMANDS = ("check", "run", "soak", "explain", "replay", "diagnose", "fault-table", "strength", "report")

Entry = tuple[str, str]
"""Name of a text, and the text."""


def entries(*, fast: bool) -> Iterator[Entry]:
    """Every text of the bundle, the quick ones first."""
    whole = sorted(MACHINES.glob("*.yaml"))
    broken = sorted((MACHINES / "broken").glob("*.yaml"))
    for path in (*whole, *broken):
        yield from sources(path)
    yield from words()
    for path in (*whole, *broken):
        yield from drawings(path)
        yield printed(path, "explain")
        yield printed(path, "explain", "--for", "4s", "--format", "json")
        yield printed(path, "faults", "--format", "json")
        yield printed(path, "run", "--for", "8s", "--seed", "3", "--format", "json")
    yield from runs_and_logs()
    for path in (*whole, *broken):
        if LARGE not in path.stem:
            yield printed(path, "check", "--overlaps", "--no-cache", "--format", "json")
            yield printed(path, "check", "--no-cache", "--tick", "scan", "--max-states", "20000")
            yield printed(path, "fault-table", "--format", "json")
            yield printed(path, "layers", "--format", "json")
    saw, press = MACHINES / "guarded_saw.yaml", MACHINES / "press_two_hand.yaml"
    yield printed(press, "soak", "--hours", "1", "--seed", "7", "--format", "json")
    yield printed(press, "compare", MACHINES / "broken" / "press_plain_and.yaml", "--format", "json")
    if fast:
        return
    for path in (saw, press):
        yield printed(path, "strength", "--format", "json")
        yield printed(path, "confirm", "--format", "json")
    yield printed(press, "fault-table", "--pairs")
    for path in (saw, press, MACHINES / "broken" / "press_one_valve.yaml"):
        yield from report(path)
    for path in (*whole, *broken):
        if LARGE in path.stem:
            yield printed(path, "check", "--faults", "0", "--no-cache", "--format", "json")
    yield printed(MACHINES / "lavender_harvester.yaml", "check", "--no-cache", "--format", "json")


def sources(path: Path) -> Iterator[Entry]:
    """The controller's C, and the checker's without faults and with one."""
    machine = read_machine(path).machine
    for faults in (0, 1):
        loop = certificate_loop(machine, machine.check.tick or machine.scan, faults)
        yield f"{path.stem}, checker for {faults} faults", checker_source(loop)
        yield f"{path.stem}, controller within it", "".join(emit_controller(loop.controller))
    with tempfile.TemporaryDirectory() as folder:
        stillgate("controller", path, "--output", folder)
        yield from files(f"{path.stem}, controller", Path(folder))


def words() -> Iterator[Entry]:
    """Every schema, and the help pages."""
    for name in SCHEMAS:
        yield f"schema of {name}", stillgate("schema", "--of", name)
    yield "help", stillgate("--help")
    for name in COMMANDS:
        yield f"help of {name}", stillgate(name, "--help")


def drawings(path: Path) -> Iterator[Entry]:
    """Every diagram, and the text that diagrams are drawn from."""
    for kind in ("svg", "dot"):
        with tempfile.TemporaryDirectory() as folder:
            stillgate("draw", path, "--to", folder, "--picture", kind)
            yield from files(f"{path.stem}, drawing", Path(folder))


def runs_and_logs() -> Iterator[Entry]:
    """Scenarios, charts and traces of runs, and what is told of the logs."""
    demo = MACHINES / "lavender_harvester.yaml"
    for path in sorted((MACHINES / "scenarios").glob("*.scenario.yaml")):
        yield printed(path, "run")
    with tempfile.TemporaryDirectory() as folder:
        chart, trace = Path(folder, "run.svg"), Path(folder, "run.csv")
        stillgate("run", demo, "--for", "6s", "--seed", "5", "--chart", chart, "--trace", trace)
        yield from files("harvester, run", Path(folder))
    for path in sorted((MACHINES / "field_logs").glob("*.log")):
        yield printed(demo, "log", path, "--format", "json")
        yield printed(demo, "replay", path)
        yield printed(demo, "replay", path, "--format", "json")
        yield printed(demo, "diagnose", path, "--format", "json")


def report(path: Path) -> Iterator[Entry]:
    """The report and its tables, and the drawings of a break."""
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder, "report.html")
        stillgate("report", path, "--output", page, "--csv", folder, "--date", DATE)
        yield from files(f"{path.stem}, report", Path(folder))


def printed(path: Path, command: str, *options: str | Path) -> Entry:
    """What a command prints about a machine, its status included."""
    names = " ".join(item.stem if isinstance(item, Path) else item for item in options)
    return f"{command} {path.stem} {names}".strip(), stillgate(command, path, *options)


def stillgate(*words: str | Path) -> str:
    """Output and exit status of a command."""
    done = subprocess.run(
        [sys.executable, "-m", "stillgate", *map(str, words)],
        cwd=MACHINES.parent,
        env={**os.environ, "COLUMNS": "100", "NO_COLOR": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    return f"{done.stdout}\nstatus {done.returncode}\n"


def files(name: str, folder: Path) -> Iterator[Entry]:
    """The texts of a folder's files."""
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            yield f"{name} {path.relative_to(folder)}", path.read_text(encoding="utf-8")


def main() -> int:
    """Makes a bundle, and says what differs from another one."""
    parser = argparse.ArgumentParser(prog="python -m golden_bundle", description=__doc__)
    parser.add_argument("output", type=Path, help="file for the digests")
    parser.add_argument("--fast", action="store_true", help="leave out what takes minutes")
    parser.add_argument("--keep", type=Path, help="folder for the texts themselves")
    parser.add_argument("--against", type=Path, help="an earlier bundle to compare with")
    how = parser.parse_args()
    bundle: dict[str, str] = {}
    for name, text in entries(fast=how.fast):
        plain = _OF_THIS_RUN.sub(r'"\1": 0', text)
        bundle[name] = hashlib.sha256(plain.encode()).hexdigest()
        if how.keep is not None:
            how.keep.mkdir(parents=True, exist_ok=True)
            (how.keep / re.sub(r"[^\w.-]+", "_", name)).write_text(plain, encoding="utf-8")
    how.output.write_text(json.dumps(bundle, indent=1) + "\n", encoding="utf-8")
    print(f"{len(bundle)} texts")
    return 0 if how.against is None else compare(json.loads(how.against.read_text(encoding="utf-8")), bundle)


def compare(before: dict[str, str], after: dict[str, str]) -> int:
    """Names what differs; an entry that only one bundle has is told by its own line."""
    same = 0
    for name in dict.fromkeys([*before, *after]):
        if name not in after:
            print(f"only before: {name}")
        elif name not in before:
            print(f"only after: {name}")
        elif before[name] != after[name]:
            print(f"differs: {name}")
        else:
            same += 1
    print(f"{same} the same")
    return 0 if same == len(before) == len(after) else 1


if __name__ == "__main__":
    sys.exit(main())
