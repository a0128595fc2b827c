"""The commit hook checks machine files, passes over other YAML, says the worst; so does a build's job."""

from __future__ import annotations

import os
import re
import subprocess
import sys
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


def test_the_job_for_a_build_server_says_what_is_broken_and_writes_all_it_promises(
    starter: Path, tmp_path: Path
) -> None:
    """The script of the guide, but for the two lines that install what is installed here."""
    page = (ROOT / "docs" / "how-to" / "check-on-every-change.md").read_text(encoding="utf-8")
    [job] = re.findall(r"^```bash\n(.*?)^```", page, re.MULTILINE | re.DOTALL)
    lines = job.splitlines(keepends=True)
    kept = [line for line in lines if " -m venv " not in line and "/pip install " not in line]
    assert len(lines) - len(kept) == 2
    script = tmp_path / "job.sh"
    script.write_text("".join(kept).replace("venv/bin/", ""), encoding="utf-8")
    folder = tmp_path / "machines"
    folder.mkdir()
    text = starter.read_text(encoding="utf-8").replace("  faults: 1 ", "  faults: 0 ")
    (folder / "good.yaml").write_text(text, encoding="utf-8")
    open_guard = text.replace("unless: guard_shut", "unless: stop_ok").replace(
        " or not guard_shut, to", ", to"
    )
    (folder / "broken.yaml").write_text(open_guard, encoding="utf-8")
    path = str(Path(sys.executable).parent) + os.pathsep + os.environ["PATH"]
    done = subprocess.run(
        ["sh", script.name], cwd=tmp_path, env=os.environ | {"PATH": path}, capture_output=True, check=False
    )
    assert done.returncode == 1, done.stdout + done.stderr
    written = {item.name for item in tmp_path.iterdir() if item.is_file()} - {script.name, starter.name}
    endings = ("sarif", "xml", "report.html")
    assert written == {f"{name}.{ending}" for name in ("good", "broken") for ending in endings}
