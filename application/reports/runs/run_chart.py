"""The timing chart of a simulated run, with the windows of the requirements it broke."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from stillgate.controller.errors import UsageError
from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.controller.machine_file.machine import Machine, Response
from stillgate.diagrams.charts.chart import Expected, Window, chart_of
from stillgate.diagrams.charts.chart_svg import svg_of
from stillgate.diagrams.diagram import plain
from stillgate.interlocks.requirements.requirement_times import response_ticks
from stillgate.interlocks.results.recording import recording_of_frames
from stillgate.interlocks.results.requirement_text import sentence_of
from stillgate.interlocks.simulated_runs.requirement_watch import ObservedBreak
from stillgate.interlocks.simulated_runs.scenario_run import ExpectationOutcome, when
from stillgate.sim_io.simulation.simulation import Frame


def chart_of_run(
    machine: Machine,
    frames: Sequence[Frame],
    title: str,
    broken: Iterable[ObservedBreak],
    *,
    part: tuple[Milliseconds, Milliseconds] | None = None,
    outcomes: Iterable[ExpectationOutcome] = (),
) -> str:
    """The chart as SVG.

    Args:
        title: of what the run is, behind the machine's name.
        broken: requirements that the run broke, with the times.
        part: from when to when it is drawn, in ms after power-on; the whole run if left out.
        outcomes: of the expectations of the scenario that was run.

    Raises:
        UsageError: if the run ends before the part begins.
    """
    first, last = (0, None) if part is None else (part[0] // machine.scan, part[1] // machine.scan)
    if first >= len(frames):
        raise UsageError(
            "the part of the run that the chart is to show begins at "
            f"{format_duration(part[0] if part else 0)}; the run ends at "
            f"{format_duration((len(frames) - 1) * machine.scan)}"
        )
    heading = f"{plain(machine.title) or machine.machine}: {plain(title)}"
    chart = chart_of(
        recording_of_frames(machine, frames),
        name="run",
        title=heading,
        windows=tuple(windows_of(machine, broken)),
        first=first,
        last=last,
        expected=tuple(_expected(machine, outcomes)),
    )
    return svg_of(chart)


def _expected(machine: Machine, outcomes: Iterable[ExpectationOutcome]) -> Iterator[Expected]:
    """Each expectation from when it was first judged until it was decided."""
    for item in outcomes:
        yield Expected(
            name=f"scenario step {item.step + 1}",
            start=item.since // machine.scan,
            end=item.decided // machine.scan,
            word="met" if item.met else "NOT MET",
            text=f"{item.text}: {'' if item.met else 'NOT MET, '}{when(item)}",
        )


def windows_of(machine: Machine, broken: Iterable[ObservedBreak]) -> Iterable[Window]:
    """Where each broken requirement had been waiting; the first break of each."""
    told: set[str] = set()
    for item in broken:
        if item.requirement in told:
            continue
        told.add(item.requirement)
        end = item.time // machine.scan
        requirement = machine.requirements.get(item.requirement)
        if requirement is None:
            yield Window(end, end, f"{item.requirement} was asked to leave its bounds")
            continue
        waited = 0
        if isinstance(requirement, Response):
            waited = max(0, response_ticks(requirement.within, machine.scan, machine.scan))
        yield Window(end - waited, end, f"{item.requirement}: {plain(sentence_of(requirement))}")
