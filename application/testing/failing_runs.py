"""The folder in which failing runs are left as scenarios; what was there before is never written over."""

from __future__ import annotations

from itertools import count
from pathlib import Path

from stillgate.sim_io.scenarios.scenario import Scenario
from stillgate.sim_io.scenarios.scenario_writer import scenario_text

from ..files.whole_files import write_whole


class FailingRuns:
    """Scenarios of the failing runs of a class of rules, the last of each name.

    Hypothesis shrinks, so that a later run takes the place of an earlier one. A file from before
    stays: it may be kept as a test, with expectations that somebody added. A run that is there
    already is not written a second time.

    Args:
        folder: made when it is needed.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._written: dict[str, Path] = {}

    def keep(self, scenario: Scenario) -> Path:
        """The file that holds a run, written unless it is there.

        Raises:
            OSError: if the folder cannot be written.
        """
        self.folder.mkdir(parents=True, exist_ok=True)
        name, content = scenario.scenario, scenario_text(scenario).encode()
        before = self._written.pop(name, None)
        if before is not None:
            before.unlink(missing_ok=True)
        endings = ("" if number == 1 else f"_{number}" for number in count(1))
        paths = (self.folder / f"{name}{ending}.scenario.yaml" for ending in endings)
        path = next(path for path in paths if not path.exists() or _holds(path, content))
        if not path.exists():
            write_whole(path, content)
            self._written[name] = path
        return path


def _holds(path: Path, content: bytes) -> bool:
    return path.is_file() and path.read_bytes() == content
