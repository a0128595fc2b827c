"""The commit hook: checks machine files, passes over other YAML, says the worst."""

from __future__ import annotations

from pathlib import Path

import pytest
from ruamel.yaml import YAML

from stillgate.hook import check_files

ROOT = Path(__file__).parent.parent.parent


@pytest.fixture(autouse=True)
def _narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


def test_yaml_that_is_no_machine_is_passed_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = tmp_path / "other.yaml"
    other.write_text("services: {machine: no}\n")
    assert check_files([str(other)]) == 0
    assert "no machine file" in capsys.readouterr().err


def test_every_machine_is_checked_and_the_worst_status_counts(starter: Path) -> None:
    bad = starter.with_name("bad.yaml")
    bad.write_text("machine: bad\nscan: 20 parsecs\n")
    assert check_files(["--faults=0", str(starter)]) == 0
    assert check_files(["--max-states=5", "--no-cache", str(starter)]) == 4
    assert check_files(["--faults=0", str(starter), str(bad)]) == 2


def test_a_file_that_is_gone_is_not_passed_over(tmp_path: Path) -> None:
    assert check_files([str(tmp_path / "gone.yaml")]) == 2


def test_the_definition_for_pre_commit_names_what_exists() -> None:
    [hook] = YAML(typ="safe").load((ROOT / ".pre-commit-hooks.yaml").read_text())
    assert hook["entry"] == "python -m stillgate.hook"
    assert hook["language"] == "python"
    assert hook["require_serial"] is True
