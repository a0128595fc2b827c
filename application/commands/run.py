"""``stillgate run``: simulates an input script, or runs a scenario as a test, and prints the trace."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from ..console.terminal import output_console, write_line
from ..files.whole_files import refuse_bad_places, write_whole
from .options import OUTPUT, Format, duration_option, files_by_ending, load_document, load_machine

if TYPE_CHECKING:
    from stillgate.controller.machine_file.machine import Machine
    from stillgate.interlocks.simulated_runs.requirement_watch import ObservedBreak
    from stillgate.interlocks.simulated_runs.scenario_run import ExpectationOutcome
    from stillgate.sim_io.simulation.script import Event
    from stillgate.sim_io.simulation.simulation import Frame, Simulation

SCANS, CHANGES, CHART, RECORDED = "every scan", "every change", "a timing chart", "a log"
ENDINGS = {
    ".scans.csv": SCANS,
    ".csv": CHANGES,
    ".parquet": CHANGES,
    ".vcd": CHANGES,
    ".svg": CHART,
    ".log": RECORDED,
}

LARGEST_SCRIPT = 2**20
FAILED = 1
INTERRUPTED = 130


def run(
    machine: Annotated[Path, Parameter(help="The machine file, or a scenario file (*.scenario.yaml).")],
    /,
    *,
    scenario: Path | None = None,
    duration: Annotated[str | None, Parameter(name="--for")] = None,
    at: Annotated[list[str] | None, Parameter(negative="")] = None,
    script: Path | None = None,
    seed: int | None = None,
    output: Annotated[list[Path] | None, OUTPUT] = None,
    chart_part: str | None = None,
    form: Format = "text",
) -> int:
    """Simulate a machine under an input script, or run a scenario as a test.

    The controller scans at its real period; the physical parts move as the
    file describes them. What they leave open is drawn from the seed, so the
    same seed gives the same run. One run shows one way things can go; only
    check looks at all of them.

      stillgate run press.yaml --for 20s --at '3.2 s start on for 200 ms'
      stillgate run stop.scenario.yaml

    Exit status: 0 done, or the scenario passed; 1 the scenario failed; 2 a
    file or the command line is at fault, 130 interrupted.

    Parameters
    ----------
    scenario
        Scenario to run on this machine, whatever machine it names itself.
    duration
        How long to simulate; 10 s if left out. A scenario says so itself.
    at
        An event, such as '3.2 s start on', '3 s start on for 200 ms',
        '5 s valve stuck on', '6 s power dip 200 ms', '8 s power off'; may be
        repeated. stillgate faults lists everything that can go wrong.
    script
        File with one event a line; # begins a remark.
    seed
        Number that decides what the parts leave open; 0 if left out, or the scenario's.
    output
        File to write; may be repeated. Its ending says what: .csv, .parquet or .vcd (waveforms) for
        every change, .scans.csv for every scan, .svg for the timing chart of the run, in which broken
        requirements are marked, .log for a log as the recorder of a real controller writes it, which goes on
        with one that is there.
    chart_part
        From when to when the chart shows the run, such as '2..4 s'; the whole run if left out.
    form
        Text for a person, json for a program (stillgate schema --of run, --of scenario).
    """
    files = files_by_ending(output, ENDINGS)
    whole = [path for kind, path in files.items() if kind != RECORDED]
    refuse_bad_places(machine, *(("--output", path) for path in whole))
    chart = files.get(CHART)
    part = _part_of_run(chart_part, chart)
    wanted = Wanted(seed, files.get(SCANS), files.get(CHANGES), files.get(RECORDED), form, chart, part)
    named = machine.name.endswith((".scenario.yaml", ".scenario.yml"))
    if scenario is not None or named:
        refuse_script(at, script, duration)
        if named and scenario is not None:
            raise _usage(f"{machine} is a scenario; give a machine file before --scenario")
        file = machine if scenario is None else scenario
        return run_scenario_file(file, None if named else machine, wanted)
    return _run_script(machine, at or [], script, duration or "10 s", wanted)


def _part_of_run(text: str | None, chart: Path | None) -> tuple[int, int] | None:
    """From when to when a chart is to be drawn, in ms.

    Raises:
        UsageError: if the text is no range of times, or no chart is asked for.
    """
    from stillgate.controller.errors import TextError
    from stillgate.controller.expressions.durations import parse_duration_range

    if text is None:
        return None
    if chart is None:
        raise _usage("--chart-part: there is no chart to draw; --output run.svg asks for one")
    try:
        return parse_duration_range(text)
    except TextError as error:
        hint = f"; {error.hint}" if error.hint else ""
        raise _usage(f"--chart-part: {error.message}{hint}") from None


@dataclass(frozen=True)
class Wanted:
    """What a run is to be made of and what it leaves."""

    seed: int | None
    csv: Path | None
    trace: Path | None
    record: Path | None
    form: str
    chart: Path | None = None
    chart_part: tuple[int, int] | None = None  # ms after power-on

    def write_chart(
        self,
        machine: Machine,
        frames: Sequence[Frame],
        title: str,
        broken: Sequence[ObservedBreak],
        outcomes: Sequence[ExpectationOutcome] = (),
    ) -> None:
        """Draws the run, if that is wanted."""
        if self.chart is not None:
            from ..reports.runs.run_chart import chart_of_run

            drawn = chart_of_run(machine, frames, title, broken, part=self.chart_part, outcomes=outcomes)
            write_whole(self.chart, drawn.encode())

    def write_csv(self, frames: Sequence[Frame]) -> None:
        """Writes every scan, if that is wanted."""
        if self.csv is not None:
            from ..reports.runs.trace import trace_csv

            write_whole(self.csv, trace_csv(frames).encode())


def _run_script(machine: Path, at: list[str], script: Path | None, duration: str, wanted: Wanted) -> int:
    from stillgate.interlocks.simulated_runs.requirement_watch import RequirementWatch
    from stillgate.sim_io.simulation.script import play
    from stillgate.sim_io.simulation.simulation import Simulation

    from ..files.run_files import RunFiles
    from ..reports.runs.trace import trace_document, write_trace

    model = load_machine(machine)
    events = read_events(model, at, script)
    seed = wanted.seed or 0
    simulation = Simulation(model, seed=seed)
    watch = RequirementWatch(simulation) if wanted.chart is not None else None
    frames, status = [], 0
    with RunFiles(simulation, machine, trace=wanted.trace, record=wanted.record) as files:
        try:
            for frame in play(simulation, events, duration_option("--for", duration) or 0):
                files.take(frame)
                frames.append(frame)
        except KeyboardInterrupt:
            if not frames:
                raise
            status = INTERRUPTED
    wanted.write_chart(model, frames, f"a run with seed {seed}", watch.broken if watch is not None else ())
    wanted.write_csv(frames)
    if wanted.form == "json":
        write_line(json.dumps(trace_document(model, seed, frames), indent=2))
    else:
        write_trace(output_console(), model, seed, frames)
    return status


def run_scenario_file(file: Path, machine: Path | None, wanted: Wanted) -> int:
    """Runs a scenario as a test.

    Args:
        file: the scenario.
        machine: the machine file, if it is not the one that the scenario names.
        wanted: seed and outputs.
    """
    from contextlib import ExitStack

    from stillgate.interlocks.simulated_runs.scenario_run import run_scenario
    from stillgate.sim_io.scenarios.scenario_reader import load_scenario

    from ..files.run_files import RunFiles
    from ..reports.runs.scenario_report import scenario_document, write_scenario_result

    document = load_scenario(file, load_document(machine) if machine is not None else None)
    scenario = document.scenario
    if wanted.seed is not None:
        scenario = scenario.model_copy(update={"seed": wanted.seed})
    with ExitStack() as stack:
        files: list[RunFiles] = []

        def prepare(simulation: Simulation) -> None:
            followed = RunFiles(simulation, document.document.path, trace=wanted.trace, record=wanted.record)
            files.append(stack.enter_context(followed))

        def follow(frame: Frame) -> None:
            files[0].take(frame)

        result = run_scenario(document.document, scenario, prepare=prepare, on_frame=follow)
    wanted.write_chart(result.machine, result.frames, f"scenario {file.name}", result.broken, result.outcomes)
    wanted.write_csv(result.frames)
    if wanted.form == "json":
        write_line(json.dumps(scenario_document(result, document), indent=2))
    else:
        write_scenario_result(output_console(), result, document)
    return 0 if result.passed else FAILED


def refuse_script(at: list[str] | None, script: Path | None, duration: str | None) -> None:
    """A scenario says itself what happens and for how long.

    Raises:
        UsageError: if the command line says so too.
    """
    given = [
        option
        for option, value in (("--at", at), ("--script", script), ("--for", duration))
        if value is not None
    ]
    if given:
        raise _usage(f"{given[0]} does not go with a scenario, which says itself what happens and how long")


def _usage(message: str) -> Exception:
    from stillgate.controller.errors import UsageError

    return UsageError(message)


def read_events(machine: Machine, at: list[str], script: Path | None) -> tuple[Event, ...]:
    """Events of the command line and of a script file together.

    Raises:
        UsageError: for an event that cannot be read, or a file that is no text.
    """
    from stillgate.controller.errors import UsageError
    from stillgate.controller.plain_files import is_endless
    from stillgate.sim_io.simulation.script import parse_script

    events = parse_script(at, machine)
    if script is not None:
        if is_endless(script):
            raise UsageError(f"{script}: this is not a regular file; write the events to one")
        try:
            with script.open("rb") as stream:
                content = stream.read(LARGEST_SCRIPT + 1)
            text = content.decode()
        except UnicodeDecodeError:
            raise UsageError(f"{script}: this is not a text in UTF-8") from None
        if len(content) > LARGEST_SCRIPT:
            raise UsageError(f"{script}: a script has at most 1 MiB")
        events += parse_script(text.splitlines(), machine, str(script))
    return tuple(sorted(events, key=lambda event: event.time))
