"""What was done in a run, kept so that the run can be written down as a scenario and told."""

from __future__ import annotations

import io
import os
from dataclasses import dataclass, field
from pathlib import Path

from rich.console import Console

from stillgate.controller.errors import ProgramFault
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine
from stillgate.controller.reading.reader import MachineDocument
from stillgate.interlocks.simulated_runs.requirement_watch import watched
from stillgate.interlocks.simulated_runs.scenario_run import ScenarioResult, run_scenario
from stillgate.sim_io.scenarios.scenario import Scenario, Step

from ..console.prose import say
from ..files.machine_names import machine_name
from ..reports.check.story_text import steps_table
from ..reports.runs.trace import trace_steps
from .failing_runs import FailingRuns

STORY_WIDTH = 96

FOUND = "Found by a property test"
"""Title of the scenario of a run that breaks a requirement."""


@dataclass
class RunRecord:
    """What was done, step by step.

    Attributes:
        document: the machine.
        path: its file; None if it was changed after reading, so that no file says what was run.
        seed: of the run.
        disturb: what was there from the start.
        steps: what was done.
    """

    document: MachineDocument
    path: Path | None
    seed: int = 0
    disturb: tuple[str, ...] = ()
    steps: list[Step] = field(default_factory=list)

    @property
    def machine(self) -> Machine:
        """The machine."""
        return self.document.machine

    def set(self, time: Milliseconds, levels: dict[str, bool]) -> None:
        """Takes down that inputs were set."""
        last = self.steps[-1] if self.steps else None
        if last is not None and last.set is not None and last.at == time:
            self.steps[-1] = Step.model_construct(at=time, set={**last.set, **levels})
        else:
            self.steps.append(Step.model_construct(at=time, set=dict(levels)))

    def add(self, step: Step) -> None:
        """Takes down anything else."""
        self.steps.append(step)

    def scenario(
        self, name: str, end: Milliseconds, watch: list[str], folder: Path, *, title: str = FOUND
    ) -> Scenario:
        """The run as a scenario.

        Args:
            name: of the scenario.
            end: time of the last scan.
            watch: requirements to watch.
            folder: where its file will stand.
            title: what it shows.
        """
        there = self.path and os.path.relpath(self.path.resolve(), folder.resolve())
        return Scenario.model_construct(
            scenario=name,
            title=title,
            machine=Path(there).as_posix() if there else f"{self.machine.machine}.yaml",
            seed=self.seed,
            disturb=list(self.disturb),
            watch=watch,
            lasts=end,
            steps=[item for item in self.steps if (item.at or 0) <= end],
        )


def replayed(record: RunRecord, requirement: str, time: Milliseconds) -> ScenarioResult:
    """The run on the reference controller.

    Raises:
        ProgramFault: if the requirement does not break there at that time.
    """
    known = [requirement] if requirement in watched(record.machine) else []
    scenario = record.scenario("found", time, known, Path())
    result = run_scenario(record.document, scenario)
    if not any(item.requirement == requirement and item.time == time for item in result.broken):
        raise ProgramFault(
            f"{requirement} broke at {format_duration(time)} in the fast run and not on the reference"
            " controller; please report it"
        )
    return result


def story_of(result: ScenarioResult, *, until: Milliseconds | None = None, most: int | None = None) -> str:
    """What happened in a run, in the machine's words.

    Args:
        result: the run.
        until: time of the last scan that is told, in ms; None for the whole run.
        most: how many scans with changes are told, the last ones; None for all.
    """
    stream = io.StringIO()
    console = Console(
        file=stream, width=STORY_WIDTH, highlight=False, markup=False, emoji=False, color_system=None
    )
    for text in result.scenario.disturb:
        say(console, f"from the start: {text}")
    frames = [frame for frame in result.frames if until is None or frame.time <= until]
    if frames[0].parts:
        places = ", ".join(f"{name} {place}" for name, place in frames[0].parts.items())
        say(console, f"At power-on: {places}.")
    steps = trace_steps(result.machine, frames)
    told = steps if most is None else steps[-most:]
    if len(told) < len(steps):
        say(console, f"Left out: what changed before {format_duration(told[0].time)}.")
    console.print()
    console.print(steps_table(told))
    return "\n".join(line.rstrip() for line in stream.getvalue().splitlines())


def save(
    record: RunRecord,
    name: str,
    end: Milliseconds,
    watch: list[str],
    found: FailingRuns,
    *,
    title: str = FOUND,
) -> Path | str:
    """Keeps the run as a scenario file, or says why there is none.

    A run that cannot be saved is to be told all the same. The scenario is named as given, as near
    as a name can be.
    """
    if record.path is None:
        return "The machine was changed after reading, so no scenario is saved."
    try:
        return found.keep(record.scenario(machine_name(name), end, watch, found.folder, title=title))
    except OSError as error:
        return f"No scenario is saved, since {found.folder} cannot be written: {error.strerror}."
