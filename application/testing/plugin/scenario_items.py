"""What pytest collects from a scenario file: one item, which passes if the scenario does."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from stillgate.controller.errors import MachineFileError, StillgateError
from stillgate.interlocks.simulated_runs.scenario_run import ScenarioResult, run_scenario
from stillgate.sim_io.scenarios.scenario_reader import ScenarioDocument, load_scenario

from ..record import story_of
from .file_names import shown, told

MOST_TOLD = 20
"""Scans with changes that are told before a break; the command that is printed tells all."""


class ScenarioFailed(Exception):  # noqa: N818
    """A scenario failed; the text is what is printed."""


class ScenarioFile(pytest.File):
    """A scenario file."""

    @classmethod
    def of(cls, parent: pytest.Collector, path: Path) -> ScenarioFile:
        """The collector of a file."""
        found: ScenarioFile = cls.from_parent(parent, path=path)
        return found

    def collect(self) -> Iterator[ScenarioItem]:
        """Reads the file; one that cannot be used is one collection error in the reader's words."""
        try:
            document = load_scenario(self.path)
        except MachineFileError as error:
            raise self.CollectError(told(error, self.config)) from None
        yield ScenarioItem.about(self, document)


class ScenarioItem(pytest.Item):
    """A scenario.

    Attributes:
        document: the scenario with its machine.
    """

    document: ScenarioDocument

    @classmethod
    def about(cls, file: ScenarioFile, document: ScenarioDocument) -> ScenarioItem:
        """The item of a scenario."""
        item: ScenarioItem = cls.from_parent(file, name=document.scenario.scenario)
        item.document = document
        item.add_marker("machine")
        item.add_marker("scenario")
        return item

    def runtest(self) -> None:
        """Runs the scenario; fails if an expectation is not met or a watched requirement breaks."""
        try:
            result = run_scenario(self.document)
        except StillgateError as error:
            raise ScenarioFailed(f"the scenario could not be run: {error}") from None
        if not result.passed:
            again = f"see it again with:  stillgate run {shown(self.path, self.config)}"
            raise ScenarioFailed("\n".join((*_told(result), again)))

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """What was expected and what was seen instead."""
        if isinstance(excinfo.value, ScenarioFailed):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int, str]:
        """The file."""
        return self.path, 0, f"{self.path.name}: {self.name}"


def _told(result: ScenarioResult) -> Iterator[str]:
    """What was expected and seen; how a requirement broke, up to the first break."""
    yield result.difference()
    if result.broken:
        yield ""
        yield story_of(result, until=min(found.time for found in result.broken), most=MOST_TOLD)
        yield ""
