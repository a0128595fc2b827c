"""Digests of all that the program makes of our machines: what a change of the layout must leave as it is.

Made before such a change and again after each commit of it, and compared::

    cd tests
    python -m golden_bundle before.json --keep before
    python -m golden_bundle after.json --keep after --against before.json

An entry is one text: a generated file, a printed result, a drawing. Seconds, threads, memory and the
folder of the repository are taken out of it, since they are not the machine's; all else must be the same
byte for byte. The second command names every entry that differs and ends with status 1 if there is one;
with ``--keep`` the texts stand in a folder too, to be laid side by side. ``--fast`` leaves out what takes
minutes: searches of the harvester, and everything that searches many times.

It runs the ``stillgate`` that this Python imports, so another version is looked at by running this file
with a Python that has it; ``--only`` limits a bundle to entries whose names match a pattern.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import re
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import redirect_stderr, redirect_stdout
from functools import partial
from io import StringIO
from pathlib import Path

from stillgate.cli import run_command
from stillgate.controller.c.emit_c import emit_controller
from stillgate.controller.reading.reader import read_machine
from stillgate.interlocks.certificates.certify import certificate_loop
from stillgate.interlocks.exploration.emit_checker import checker_source

MACHINES = Path(__file__).resolve().parent.parent / "machines"
DATE = "2026-03-31"
DEMO = "lavender_harvester"
FOLDER = "FOLDER"
"""Stands in a command line for a folder of its own."""

LARGE = "harvester"
"""In the name of every machine whose search takes more than a few seconds."""

_OF_THIS_RUN = re.compile(r'"(seconds|threads|bytes|bytes_per_state|machine_hours_per_second)": [\d.]+')
_TIMES_IN_WORDS = re.compile(r"[\d.]+ s, \d+ threads?(, [\d.]+ (million )?steps/s)?(, [\d.]+ bytes a state)?")
SCHEMAS = (
    "machine", "scenario", "column-map", "check", "run", "scenario-result", "faults", "soak", "explain",
    "log", "replay", "diagnose", "fault-table", "layers", "strength", "compare", "confirm", "recheck", "draw",
)  # fmt: skip
COMMANDS = ("check", "run", "soak", "explain", "replay", "diagnose", "fault-table", "strength", "report")

Entry = tuple[str, str]
"""Name of a text, and the text."""

Job = tuple[str, Callable[[], Iterable[Entry]]]
"""Name of some entries, and what makes them."""


def jobs(*, fast: bool) -> Iterator[Job]:
    """Whatever makes the bundle, the quick first."""
    whole = sorted(MACHINES.glob("*.yaml"))
    every = [*whole, *sorted((MACHINES / "broken").glob("*.yaml"))]
    small = [path for path in every if LARGE not in path.stem]
    saw, press, demo = (MACHINES / f"{name}.yaml" for name in ("guarded_saw", "press_two_hand", DEMO))
    for path in every:
        yield f"sources {path.stem}", partial(sources, path)
    yield "schemas and help", words
    for path in every:
        yield f"drawings {path.stem}", partial(drawings, path)
        yield printed("explain", path)
        yield printed("explain", path, "--for", "4s", "--format", "json")
        yield printed("faults", path, "--format", "json")
        yield printed("run", path, "--for", "8s", "--seed", "3", "--format", "json")
    for path in sorted((MACHINES / "scenarios").glob("*.scenario.yaml")):
        yield printed("run", path)
    yield "chart and trace of a run", partial(run_files, demo)
    for path in sorted((MACHINES / "field_logs").glob("*.log")):
        yield printed("log", demo, path, "--format", "json")
        yield printed("replay", demo, path)
        yield printed("replay", demo, path, "--format", "json")
        yield printed("diagnose", demo, path, "--format", "json")
    for path in small:
        yield printed("check", path, "--overlaps", "--no-cache", "--format", "json")
        yield without_times(
            printed("check", path, "--no-cache", "--tick", "scan", "--max-states", "20000", "--threads", "1")
        )
        yield printed("fault-table", path, "--format", "json")
        yield printed("layers", path, "--format", "json")
    yield printed("soak", press, "--hours", "1", "--seed", "7", "--format", "json")
    yield printed("compare", press, MACHINES / "broken" / "press_plain_and.yaml", "--format", "json")
    if fast:
        return
    for path in (saw, press):
        yield printed("strength", path, "--format", "json")
        yield printed("confirm", path, "--format", "json")
    yield printed("fault-table", press, "--pairs")
    for path in (saw, press, MACHINES / "broken" / "press_one_valve.yaml"):
        yield f"report {path.stem}", partial(report, path)
    for path in every:
        if LARGE in path.stem:
            yield printed("check", path, "--faults", "0", "--no-cache", "--format", "json")
    yield printed("check", demo, "--no-cache", "--format", "json")


def sources(path: Path) -> Iterator[Entry]:
    """The controller's C, and the checker's without faults and with one."""
    machine = read_machine(path).machine
    for faults in (0, 1):
        loop = certificate_loop(machine, machine.check.tick or machine.scan, faults)
        yield f"{path.stem}, checker for {faults} faults", checker_source(loop)
        yield f"{path.stem}, controller within it, {faults} faults", "".join(emit_controller(loop.controller))
    yield from files(f"{path.stem}, controller", "controller", path, "--output", FOLDER)


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
        yield from files(f"{path.stem}, drawing", "draw", path, "--output", FOLDER, "--picture", kind)


def run_files(path: Path) -> Iterator[Entry]:
    """Chart and trace of a simulated run."""
    options = ("--for", "6s", "--seed", "5", "--output", f"{FOLDER}/run.svg", "--output", f"{FOLDER}/run.csv")
    yield from files(f"{path.stem}, run", "run", path, *options)


def report(path: Path) -> Iterator[Entry]:
    """The report and its tables."""
    options = ("--output", f"{FOLDER}/report.html", "--output", FOLDER, "--date", DATE)
    yield from files(f"{path.stem}, report", "report", path, *options)


def printed(command: str, path: Path, *options: str | Path) -> Job:
    """What a command prints about a machine, its status included."""
    names = " ".join(item.stem if isinstance(item, Path) else item for item in options)
    name = f"{command} {path.stem} {names}".strip()
    return name, lambda: [(name, stillgate(command, path, *options))]


def without_times(job: Job) -> Job:
    """The same texts without what a search took, and so without the lines' breaks, which depend on it.

    A search that a cap stops gets as far as its threads happen to, so it is given one thread.
    """
    name, make = job
    return name, lambda: [(entry, _TIMES_IN_WORDS.sub("", " ".join(text.split()))) for entry, text in make()]


def files(name: str, *words: str | Path) -> Iterator[Entry]:
    """The texts of the files that a command writes into ``FOLDER``."""
    with tempfile.TemporaryDirectory() as folder:
        stillgate(*(str(word).replace(FOLDER, folder) for word in words))
        for path in sorted(Path(folder).rglob("*")):
            if path.is_file():
                yield f"{name} {path.relative_to(folder)}", path.read_text(encoding="utf-8")


def stillgate(*words: str | Path) -> str:
    """Output and exit status of a command, run within this process: starting anew takes most of the time."""
    printed, said = StringIO(), StringIO()
    with redirect_stdout(printed), redirect_stderr(said):
        status = run_command([str(word) for word in words])
    return f"{printed.getvalue()}\nstatus {status}\n"


def main() -> int:
    """Makes a bundle, and says what differs from another one."""
    parser = argparse.ArgumentParser(prog="python -m golden_bundle", description=__doc__)
    parser.add_argument("output", type=Path, help="file for the digests")
    parser.add_argument("--fast", action="store_true", help="leave out what takes minutes")
    parser.add_argument("--only", default="", help="pattern of the names to be made; the others are left out")
    parser.add_argument("--keep", type=Path, help="folder for the texts themselves")
    parser.add_argument("--against", type=Path, help="an earlier bundle to compare with")
    how = parser.parse_args()
    output, keep, against = (item and item.absolute() for item in (how.output, how.keep, how.against))
    os.environ.update(COLUMNS="100", NO_COLOR="1")
    os.chdir(MACHINES.parent)
    bundle: dict[str, str] = {}
    for name, job in jobs(fast=how.fast):
        if not re.search(how.only, name):
            continue
        for entry, text in job():
            plain = _OF_THIS_RUN.sub(r'"\1": 0', text.replace(f"{MACHINES.parent}{os.sep}", ""))
            bundle[entry] = hashlib.sha256(plain.encode()).hexdigest()
            if keep is not None:
                keep.mkdir(parents=True, exist_ok=True)
                (keep / re.sub(r"[^\w.-]+", "_", entry)).write_text(plain, encoding="utf-8")
    output.write_text(json.dumps(bundle, indent=1) + "\n", encoding="utf-8")
    print(f"{len(bundle)} texts")
    return 0 if against is None else compare(json.loads(against.read_text(encoding="utf-8")), bundle)


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
