"""pytest collects machine files: an item a requirement and finding, an item a scenario.

Only options and dispatch stand here, because this module is loaded by every pytest of whoever
has Stillgate installed; what needs the check is loaded when the first machine file is met.

What is collected: files named ``*.machine.yaml`` and ``*.scenario.yaml``, those that the ini
options ``stillgate_machines`` and ``stillgate_scenarios`` name instead (a name pattern, or with
a slash a path pattern below the root), and YAML files named on the command line.
"""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from .testing.plugin.properties import CHECK_PROPERTY

if TYPE_CHECKING:
    from collections.abc import Generator

MACHINES = ["*.machine.yaml", "*.machine.yml"]
SCENARIOS = ["*.scenario.yaml", "*.scenario.yml"]
MARKERS = (
    "machine: everything that a machine file or a scenario is collected as",
    "requirement: a requirement of a machine file",
    "finding: something else that a check looks for, such as a state that is never reached",
    "scenario: a scenario file",
    "hazard(name): a requirement that guards against the named hazard",
)
NOWHERE = Path(os.devnull)
"""A path that no pattern fits, to try patterns with."""

_KEY = re.compile(rb"^(machine|scenario)\s*:", re.MULTILINE)
_LOOKED_AT = 2**16


def pytest_addoption(parser: pytest.Parser) -> None:
    """Options of the command line and of the ini file."""
    group = parser.getgroup("stillgate", "machine files (Stillgate)")
    group.addoption(
        "--machine-faults", type=int, choices=(0, 1), metavar="N",
        help="fault budget of the checks, 0 or 1; left out: each file's",
    )  # fmt: skip
    group.addoption(
        "--machine-tick", metavar="TIME",
        help="step of the checks, such as '100 ms', or 'scan'; left out: each file's",
    )  # fmt: skip
    group.addoption(
        "--machine-time-limit", metavar="TIME",
        help="give up a check as undecided after so long, such as '10 min'; undecided fails",
    )  # fmt: skip
    group.addoption(
        "--machine-findings", choices=("warn", "fail"), default=None,
        help="whether findings that break nothing warn or fail; left out: the ini's, else warn",
    )  # fmt: skip
    group.addoption(
        "--machine-overlaps", action="store_true",
        help="look also for exits of a state that are true in the same scan",
    )  # fmt: skip
    group.addoption(
        "--machine-no-cache", action="store_true",
        help="check unchanged files anew and keep nothing",
    )  # fmt: skip
    parser.addini("stillgate_machines", "patterns of machine files", type="args", default=MACHINES)
    parser.addini("stillgate_scenarios", "patterns of scenario files", type="args", default=SCENARIOS)
    parser.addini("stillgate_findings", "warn or fail on findings that break nothing", default="warn")


def pytest_configure(config: pytest.Config) -> None:
    """Makes the markers known; refuses options that say nothing."""
    for marker in MARKERS:
        config.addinivalue_line("markers", marker)
    _demand_patterns(config)
    findings = config.getini("stillgate_findings")
    if findings not in ("warn", "fail"):
        raise pytest.UsageError(f"stillgate_findings is '{findings}'; write warn or fail")
    if config.getoption("machine_tick") or config.getoption("machine_time_limit"):
        from .testing.plugin.machine_check import read_options

        read_options(config)


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """The collector of a machine file or a scenario file; None for any other file."""
    if file_path.suffix not in (".yaml", ".yml"):
        return None
    kind = _kind(file_path, parent)
    if kind is None:
        return None
    if kind == "machine":
        from .testing.plugin.machine_items import MachineFile

        return MachineFile.of(parent, file_path)
    from .testing.plugin.scenario_items import ScenarioFile

    return ScenarioFile.of(parent, file_path)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Tells the failure of a property test of a machine as a story, without frames of Hypothesis."""
    report = yield
    if call.excinfo is None or not report.failed or "stillgate.testing.rules" not in sys.modules:
        return report
    from .testing.plugin.failure_report import shortened

    told = None if item.config.getoption("fulltrace") else shortened(item, call.excinfo)
    if told is not None:
        report.longrepr = told
    return report


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Says what each machine file was checked under, and which results were kept ones."""
    reports = [item for found in terminalreporter.stats.values() for item in found]
    said = [
        value
        for report in reports
        for name, value in getattr(report, "user_properties", ())
        if name == CHECK_PROPERTY
    ]
    if said:
        from .testing.plugin.machine_check import summary_lines

        terminalreporter.section("machine files")
        for line in summary_lines(said):
            terminalreporter.line(line)


def _demand_patterns(config: pytest.Config) -> None:
    for option in ("stillgate_machines", "stillgate_scenarios"):
        try:
            for pattern in config.getini(option):
                _fits(NOWHERE, pattern, NOWHERE)
        except (ValueError, NotImplementedError) as error:
            raise pytest.UsageError(
                f"{option}: {error}; write names such as '*.machine.yaml', or paths below the root with a"
                " slash in them, such as 'machines/*.yaml'"
            ) from None


def _kind(path: Path, parent: pytest.Collector) -> str | None:
    config = parent.config
    for kind, option in (("scenario", "stillgate_scenarios"), ("machine", "stillgate_machines")):
        if any(_fits(path, pattern, config.rootpath) for pattern in config.getini(option)):
            return kind
    if not parent.session.isinitpath(path):
        return None
    try:
        with path.open("rb") as file:
            found = _KEY.search(file.read(_LOOKED_AT))
    except OSError:
        return None
    return found[1].decode() if found else None


def _fits(path: Path, pattern: str, root: Path) -> bool:
    if "/" not in pattern:
        return path.match(pattern)
    return path in root.glob(pattern)
