"""A small machine file, and a way to run a command line inside the test."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from stillgate.cli import run_command
from stillgate.commands.new import starter_text


@dataclass(frozen=True)
class Outcome:
    """What a command did."""

    status: int
    out: str
    err: str


Command = Callable[..., Outcome]


@pytest.fixture(scope="module", autouse=True)
def built_quickly(unoptimised_commands: None) -> None:
    """Machines of these tests are small, so compiling would take most of their time."""


@pytest.fixture
def stillgate(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Command:
    """Runs a command line; the terminal is 80 columns wide."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("STILLGATE_REPORT", raising=False)

    def run(*arguments: str | Path) -> Outcome:
        capsys.readouterr()
        status = run_command([str(item) for item in arguments])
        captured = capsys.readouterr()
        return Outcome(status, captured.out, captured.err)

    return run


@pytest.fixture
def starter(tmp_path: Path) -> Path:
    """The starter file in a folder of its own."""
    path = tmp_path / "press.yaml"
    path.write_text(starter_text("press"), encoding="utf-8")
    return path
