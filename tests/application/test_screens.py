"""Screens of commands at 80 and 140 columns, in a pipe and on a terminal, are those a reviewer has read.

``STILLGATE_SNAPSHOTS=write python -m pytest -q tests/application/test_screens.py`` writes them anew.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

from stillgate.commands.new import starter_text

from .snapshots import assert_snapshot

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo-terminals")

GUARD_FORGOTTEN = (
    ("when: not stop_ok or not guard_shut, to", "when: not stop_ok, to"),
    ("hold_off: motor, unless: guard_shut", "hold_off: lamp, unless: guard_shut"),
)
SCREENS = {
    "check_holds": ("check", "press.yaml"),
    "check_all": ("check", "press.yaml", "--all"),
    "check_broken": ("check", "spoilt.yaml"),
    "check_undecided": ("check", "press.yaml", "--max-states", "5", "--threads", "1", "--no-cache"),
    "check_tick": ("check", "press.yaml", "--tick", "100 ms"),
}
"""A command line for each screen of a check."""

OTHERS = {
    "help": ("--help",),
    "help_check": ("check", "--help"),
    "explain": ("explain", "press.yaml", "--in", "main=running", "--with", "guard_shut=off"),
    "layers": ("layers", "press.yaml"),
    "strength": ("strength", "press.yaml"),
    "compare": ("compare", "press.yaml", "spoilt.yaml"),
}
"""Those of other commands, in a pipe."""

FORMS = {"80": (80, False), "140": (140, False), "80_terminal": (80, True), "140_terminal": (140, True)}


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the starter file and a copy in which the guard was forgotten."""
    folder = tmp_path_factory.mktemp("desk")
    text = starter_text("press")
    (folder / "press.yaml").write_text(text, encoding="utf-8")
    for old, new in GUARD_FORGOTTEN:
        assert old in text
        text = text.replace(old, new)
    (folder / "spoilt.yaml").write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("name", SCREENS)
def test_a_screen_reads_as_it_was_reviewed(desk: Path, name: str, form: str) -> None:
    from .screens import screen

    columns, terminal = FORMS[form]
    text = screen(desk, SCREENS[name], columns=columns, terminal=terminal)
    assert_snapshot(f"screens/{name}_{form}.txt", text)


@pytest.mark.parametrize("columns", [80, 140])
@pytest.mark.parametrize("name", OTHERS)
def test_a_screen_of_another_command_reads_as_it_was_reviewed(desk: Path, name: str, columns: int) -> None:
    from .screens import screen

    assert_snapshot(f"screens/{name}_{columns}.txt", screen(desk, OTHERS[name], columns=columns))


def test_a_terminal_that_wants_no_colour_shows_what_a_pipe_does(desk: Path) -> None:
    """Bold and dim may stay: they are no colours (no-color.org)."""
    from .screens import screen

    command = SCREENS["check_broken"]
    plain = screen(desk, command, columns=80, terminal=True, colour=False)
    assert set(re.findall(r"␛\[([\d;]*)m", plain)) <= {"0", "1", "2"}
    assert re.sub(r"␛\[[012]m", "", plain) == screen(desk, command, columns=80)


@pytest.mark.parametrize("columns", [80, 140])
@pytest.mark.parametrize("name", SCREENS)
def test_without_its_colours_a_terminal_shows_what_a_pipe_does(name: str, columns: int) -> None:
    """So nothing is said by colour alone."""
    kept = Path(__file__).parent / "snapshots" / "screens"
    pipe = (kept / f"{name}_{columns}.txt").read_text(encoding="utf-8")
    terminal = (kept / f"{name}_{columns}_terminal.txt").read_text(encoding="utf-8")
    assert re.sub(r"␛\[[\d;]*m", "", terminal) == pipe
