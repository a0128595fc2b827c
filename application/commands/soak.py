"""``stillgate soak``: many hours of simulated operation with every requirement monitored."""

from __future__ import annotations

import json
import os
from itertools import chain, count
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from ..console.terminal import message_console, output_console, write_line
from .options import OUTPUT, Format, MachineFile, count_option, duration_option, load_document

if TYPE_CHECKING:
    from stillgate.controller.machine_file.machine import Machine
    from stillgate.interlocks.simulated_runs.soak_run import SoakProgress, SoakResult
    from stillgate.sim_io.faults.disturbances import Disturbance

VIOLATION, INTERRUPTED = 1, 130
MOST_HOURS = 10_000_000
EVERY_CONTACT, NOTHING = "every contact bounces", "nothing"


def soak(
    machine: MachineFile,
    /,
    *,
    hours: float = 100.0,
    seed: int = 0,
    operator: Literal["in turn", "sensible", "clumsy", "hostile"] = "in turn",
    disturb: Annotated[list[str] | None, Parameter(negative="")] = None,
    faults: int = 0,
    watch: Annotated[list[str] | None, Parameter(negative="")] = None,
    shift: str = "10 min",
    jobs: int | None = None,
    output: Annotated[Path | None, OUTPUT] = None,
    form: Format = "text",
) -> int:
    """Simulate many hours of operation and stop at the first broken requirement.

    The controller runs at its real scan, as compiled from the C that is
    deployed, with its parts, its switches and an operator, in shifts from
    power-on. The first violation is cut down to a short scenario that breaks
    the same requirement, confirmed in the other simulation, and saved.

    A soak is a sample and proves nothing; only check looks at every run.

      stillgate soak press.yaml --hours 1000 --seed 1

    Exit status: 0 no violation met, 1 one was met, 2 the file or the command
    line is at fault, 130 interrupted.

    Parameters
    ----------
    hours
        Machine time to simulate, rounded up to whole shifts.
    seed
        Number that decides everything that is left open.
    operator
        Who operates: one of the three kinds, or all in turn, a shift each.
    disturb
        What is disturbed from the start of every shift, such as
        'bunch_hung intermittent 20 s' (stillgate faults lists all); may be
        repeated. 'every contact bounces' means all inputs; 'nothing' none.
        Left out: contacts that parts move bounce for 10 ms.
    faults
        1: in every shift one input or output gets stuck at some time, and
        only requirements that must withstand a fault are watched.
    watch
        Requirement to watch; may be repeated. Left out: all that a run can break.
    shift
        Length of a shift.
    jobs
        Threads. Left out: one a processor. The result is the same.
    output
        Where the scenario of a violation goes. Left out: named after the
        requirement, here, beside what is there already.
    form
        Text for a person, json for a program (stillgate schema --of soak).
    """
    from stillgate.controller.errors import UsageError
    from stillgate.interlocks.simulated_runs.soak_run import soak as run_soak
    from stillgate.sim_io.simulation.operators import OperatorKind

    if not 0 < hours <= MOST_HOURS:
        raise UsageError(f"--hours is {hours:g}; it goes from more than 0 to {MOST_HOURS}")
    count_option("--seed", seed, 0, 2**63 - 1)
    count_option("--faults", faults, 0, 1)
    workers = count_option("--jobs", jobs, 1, 256)
    length = duration_option("--shift", shift) or 0
    document = load_document(machine)
    model = document.machine
    if not model.scan <= length <= 24 * 3_600_000:
        raise UsageError(f"--shift is {shift}; it goes from a scan to 24 h")
    disturbances = disturbances_option(model, disturb)
    folder = output.parent if output is not None else Path()
    if not folder.is_dir():
        raise UsageError(f"--output: there is no folder {folder}")
    progress = SoakLine()
    with progress:
        result = run_soak(
            document,
            duration=round(hours * 3_600_000),
            seed=seed,
            operators=tuple(OperatorKind) if operator == "in turn" else (OperatorKind(operator),),
            disturbances=disturbances,
            mishaps=mishaps_of(model, disturbances) if faults else (),
            requirements=watch_option(model, watch, faults),
            shift=length,
            jobs=workers,
            machine_path=os.path.relpath(machine, folder),
            progress=progress,
            on_cutting=lambda: progress.say("a requirement was broken; cutting the run down"),
        )
    return _finish(result, output, str(machine), form)


def _finish(result: SoakResult, save: Path | None, machine: str, form: str) -> int:
    from ..files.scenario_files import write_scenario
    from ..reports.runs.soak_report import soak_document, write_soak

    target = Path()
    if result.violation is not None:
        target = save or unused_name(result.violation.requirement)
        write_scenario(result.violation.scenario, target)
    if form == "json":
        write_line(json.dumps(soak_document(result, str(target)), indent=2))
    else:
        write_soak(output_console(), result, machine, str(target))
    if result.violation is not None:
        return VIOLATION
    return INTERRUPTED if result.stopped else 0


def unused_name(requirement: str) -> Path:
    """A name for the scenario of a violation that no file here has."""
    stem = requirement.replace(" ", "_")
    names = chain([f"{stem}.scenario.yaml"], (f"{stem}_{number}.scenario.yaml" for number in count(2)))
    return next(path for path in map(Path, names) if not path.exists())


def disturbances_option(machine: Machine, texts: list[str] | None) -> tuple[Disturbance, ...]:
    """The disturbances that ``--disturb`` asks for.

    Raises:
        UsageError: for one that cannot be meant, or two that contradict each other.
    """
    from stillgate.controller.errors import TextError, UsageError
    from stillgate.sim_io.faults.disturbances import contacts_bounce, parse_disturbances

    if texts is None:
        return contacts_bounce(machine, free=False)
    if NOTHING in texts:
        if len(texts) > 1:
            raise UsageError("--disturb: 'nothing' stands alone")
        return ()
    lines = [text for text in texts if text != EVERY_CONTACT]
    if EVERY_CONTACT in texts:
        lines = [item.name for item in contacts_bounce(machine)] + lines
    try:
        return parse_disturbances(lines, machine)
    except TextError as error:
        raise UsageError(f"--disturb: {error.message}{f'; {error.hint}' if error.hint else ''}") from None


def mishaps_of(machine: Machine, there: tuple[Disturbance, ...]) -> tuple[Disturbance, ...]:
    """The single stuck faults that can come to what is there already."""
    from stillgate.sim_io.faults.disturbances import contradict, stuck_faults

    return tuple(
        item for item in stuck_faults(machine) if not any(contradict(item, other) for other in there)
    )


def watch_option(machine: Machine, names: list[str] | None, faults: int) -> list[str] | None:
    """The requirements that ``--watch`` asks for; without it, those that must withstand the faults.

    Raises:
        UsageError: for one that is not there, or that one run cannot break.
    """
    from stillgate.controller.errors import UsageError
    from stillgate.controller.rules.namespace import nearest_hint
    from stillgate.interlocks.simulated_runs.requirement_watch import watched

    possible = watched(machine)
    counters = any(item.range is not None for item in machine.memory.values())
    if not possible and not counters:
        raise UsageError("this machine has no requirement that a run can break, and no counter")
    for name in names or ():
        if name in possible:
            continue
        if name in machine.requirements:
            raise UsageError(f"--watch: '{name}' is about all runs; no single run can break it")
        hint = nearest_hint(name, possible)
        raise UsageError(f"--watch: there is no requirement '{name}'{f'; {hint}' if hint else ''}")
    if names is not None or not faults:
        return names
    from stillgate.interlocks.checking.checker import required_faults

    withstanding = [name for name, item in possible.items() if required_faults(machine, item) >= faults]
    if not withstanding:
        raise UsageError("--faults: no requirement of this machine has to withstand a fault")
    return withstanding


class SoakLine:
    """Shows machine time and rate on standard error while a ``with`` block runs."""

    def __init__(self) -> None:
        from ..console.progress import ProgressLine

        self._line = ProgressLine(message_console())

    def __enter__(self) -> SoakLine:
        self._line.__enter__()
        self.say("building the C library")
        return self

    def __exit__(self, *error: object) -> None:
        self._line.__exit__(None, None, None)

    def __call__(self, progress: SoakProgress) -> None:
        """Shows how far the soak is."""
        done, asked = progress.simulated / 3.6e6, progress.asked / 3.6e6
        rate = f", {done / progress.seconds:.0f} machine-hours/s" if progress.seconds > 0.2 else ""
        self.say(f"{done:.0f} of {asked:.0f} h{rate}")

    def say(self, text: str) -> None:
        """Shows what is being done."""
        self._line.say(text)
