"""The guide 'test your own machine in ten minutes', done literally in an empty folder."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
import xml.etree.ElementTree as ET
from pathlib import Path

ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "docs" / "how-to" / "test-your-machine.md").read_text(encoding="utf-8")
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```", re.MULTILINE | re.DOTALL)
FILES = {"yaml": "it_starts.scenario.yaml", "python": "test_press.py", "bash": "ci.sh"}
"""What the blocks are saved as."""

MACHINE = "press.machine.yaml"
FEW_RUNS = """
from hypothesis import settings

settings.register_profile("few", max_examples=5, stateful_step_count=10, deadline=None, derandomize=True)
settings.load_profile("few")
"""
"""A conftest.py that the guide does not have: the usual number of runs takes most of the time."""

EXTRAS = re.compile(r"stillgate\[([\w,]+)\] @ ")


def run(line: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """A line of a shell where this Stillgate is installed."""
    environment = {
        **os.environ,
        "PATH": str(Path(sys.executable).parent) + os.pathsep + os.environ["PATH"],
        "PYTHONSAFEPATH": "",
        "COLUMNS": "100",
    }
    return subprocess.run(
        line, shell=True, cwd=folder, env=environment, capture_output=True, text=True, check=False
    )


def change(path: Path, block: str, *, back: bool = False) -> None:
    """Makes the change that a block shows, or takes it back."""
    removed, added = ("\n".join(re.findall(rf"^[{sign}](.*)", block, re.MULTILINE)) for sign in "-+")
    old, new = (added, removed) if back else (removed, added)
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, old
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_the_guide_done_literally_ends_in_a_green_build(tmp_path: Path) -> None:
    (tmp_path / "conftest.py").write_text(FEW_RUNS, encoding="utf-8")
    changes: list[str] = []
    ran: list[str] = []
    for language, block in BLOCK.findall(GUIDE):
        if language in FILES:
            assert f"`{FILES[language]}`" in GUIDE, "the guide says what to save it as"
            (tmp_path / FILES[language]).write_text(block, encoding="utf-8")
        elif language == "diff":
            changes.append(block)
            change(tmp_path / MACHINE, block)
        elif language == "console":
            for line in block.splitlines():
                done = run(line, tmp_path)
                assert done.returncode == 0, f"{line}\n{done.stdout[-3000:]}{done.stderr}"
                ran.append(done.stdout)
        elif block.startswith("broken: "):
            done = run("pytest", tmp_path)
            assert done.returncode == 1
            assert block in done.stdout, "what the guide shows of a failure is what is printed"
            assert "1 failed, 8 passed" in done.stdout
            for item in changes:
                change(tmp_path / MACHINE, item, back=True)
    assert f"{MACHINE}::guard_stops_motor PASSED" in ran[1]
    assert "1 passed" in next(item for item in ran if "1 passed, 9 deselected" in item)
    assert "11 passed" in ran[-1], "nine items of the machine, a scenario, a test of one's own"
    assert not (tmp_path / "found").exists()
    assert_green_build(tmp_path)


def assert_green_build(folder: Path) -> None:
    """The script of the build server, but for the two lines that install what is installed here."""
    script = folder / "ci.sh"
    lines = script.read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [line for line in lines if " -m venv " not in line and "/pip install " not in line]
    assert len(lines) - len(kept) == 2
    script.write_text("".join(kept).replace("venv/bin/", ""), encoding="utf-8")
    first, second = run("sh ci.sh", folder), run("sh ci.sh", folder)
    assert first.returncode == second.returncode == 0, first.stdout + first.stderr
    assert "11 passed" in second.stdout
    assert "kept from an earlier check of the same file" not in first.stdout
    assert "kept from an earlier check of the same file" in second.stdout
    report = ET.parse(folder / "report.xml").getroot()
    assert report.find("testsuite").attrib["tests"] == "11"  # type: ignore[union-attr]
    assert {"verdict", "machine_check"} <= {item.attrib["name"] for item in report.iter("property")}


def test_what_the_guide_installs_can_be_installed() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    found = EXTRAS.findall(GUIDE)
    assert len(found) == 2
    assert all(set(text.split(",")) <= set(project["optional-dependencies"]) for text in found)
