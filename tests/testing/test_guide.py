"""The guide 'test your own machine in ten minutes', done literally in an empty folder."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

GUIDE = Path(__file__).parents[2] / "docs" / "how-to" / "test-your-machine.md"
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```", re.MULTILINE | re.DOTALL)
FILES = {"yaml": "it_starts.scenario.yaml", "python": "test_press.py"}
"""What the blocks are saved as; the guide names both in words."""


def test_every_command_of_the_guide_runs_in_an_empty_folder(tmp_path: Path) -> None:
    environment = {
        **os.environ,
        "PATH": str(Path(sys.executable).parent) + os.pathsep + os.environ["PATH"],
        "PYTHONSAFEPATH": "",
    }
    text = GUIDE.read_text(encoding="utf-8")
    ran: list[str] = []
    for language, block in BLOCK.findall(text):
        if language in FILES:
            assert FILES[language].partition(".")[0] in text
            (tmp_path / FILES[language]).write_text(block, encoding="utf-8")
        for line in block.splitlines() if language == "console" else ():
            done = subprocess.run(
                line, shell=True, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
            )
            assert done.returncode == 0, f"{line}\n{done.stdout[-3000:]}{done.stderr}"
            ran.append(done.stdout)
    assert "press.machine.yaml::guard_stops_motor PASSED" in ran[1]
    assert "1 passed" in next(item for item in ran if "1 passed, 9 deselected" in item)
    assert "11 passed" in ran[-1], "nine items of the machine, a scenario, a test of one's own"
    assert not (tmp_path / "found").exists()


def test_what_the_guide_shows_of_a_failure_is_what_is_printed() -> None:
    """The first lines of the story; the plugin's own tests hold the rest."""
    text = GUIDE.read_text(encoding="utf-8")
    assert "broken: after not guard_shut, then not motor within 200 ms" in text
    assert "press.machine.yaml:62:3: guard_stops_motor" in text
