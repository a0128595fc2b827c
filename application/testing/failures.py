"""How a failing run of a property test is told: what broke, the story, and how to see it again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hypothesis import note

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.field_types import Milliseconds
from stillgate.interlocks.results.requirement_text import sentence_of
from stillgate.interlocks.simulated_runs.scenario_run import run_scenario

from .failing_runs import FailingRuns
from .record import RunRecord, replayed, save, story_of

OWN = "The run in which an assertion of a property test failed; by itself it expects nothing"
"""Title of the scenario of such a run."""


class RequirementBroken(AssertionError):  # noqa: N818
    """A requirement broke in a run.

    The run is saved at once, since the last failing run is the shortest; it is replayed and
    told only when somebody reads the message.

    Attributes:
        requirement: its name, or ``x in its bounds`` for a counter.
        time: of the scan in which it broke, in ms.
    """

    def __init__(self, record: RunRecord, requirement: str, time: Milliseconds, found: FailingRuns) -> None:
        super().__init__(requirement)
        self.requirement, self.time = requirement, time
        self._record = record
        watch = [requirement] if requirement in record.machine.requirements else []
        name = "_".join((record.machine.machine, *requirement.split()))
        self._saved = save(record, name, time, watch, found)
        self._text: str | None = None

    def __str__(self) -> str:
        if self._text is None:
            self._text = self._tell()
        return self._text

    def _tell(self) -> str:
        found = self._record.machine.requirements.get(self.requirement)
        said = f" ({sentence_of(found)})" if found is not None else ""
        story = story_of(replayed(self._record, self.requirement, self.time))
        head = f"{self.requirement} is broken {format_duration(self.time)} after power-on{said}"
        return "\n".join((head, "", story, "", *_again(self._saved)))


def tell_failure(record: RunRecord, end: Milliseconds, found: FailingRuns, test: str) -> None:
    """Saves a run in which an assertion of the user's own failed, and tells it beside the failure.

    Args:
        record: the run.
        end: time of its last scan, in ms.
        found: keeps the scenario.
        test: name of the class of rules.
    """
    name = f"{record.machine.machine}_assertion_of_{test}"
    note(_OwnRun(record, end, save(record, name, end, [], found, title=OWN)))


class _OwnRun:
    """A run to be told. Hypothesis prints a note about the last failing run only, the shortest."""

    def __init__(self, record: RunRecord, end: Milliseconds, saved: Path | str) -> None:
        self._record, self._end, self._saved = record, end, saved

    def _repr_pretty_(self, printer: Any, _: bool) -> None:
        scenario = self._record.scenario("found", self._end, [], Path())
        story = story_of(run_scenario(self._record.document, scenario))
        head = f"The run up to {format_duration(self._end)} after power-on:"
        printer.text("\n".join((head, "", story, "", *_again(self._saved))))


def _again(saved: Path | str) -> tuple[str, ...]:
    if isinstance(saved, str):
        return (saved,)
    return (f"saved as {saved.as_posix()}; see it again with:", f"  stillgate run {saved.as_posix()}")
