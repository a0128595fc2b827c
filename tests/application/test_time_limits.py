"""``--time-limit`` binds in every phase of every command: building, searching, ways back, proofs.

The machines are hard in one way each: a state with 2^60 choices, a way of 100 000 ticks.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from interrupting import LOADED, Bench

HARD = Path(__file__).parents[1] / "machines" / "false_verdicts"
MANY_CHOICES, LONG_WAY = HARD / "sixty_inputs_xor.yaml", HARD / "long_story.yaml"

COMMANDS: dict[str, tuple[object, ...]] = {
    "check": ("check", "--no-cache"),
    "fault-table": ("fault-table",),
    "layers": ("layers",),
    "strength": ("strength",),
    "compare": ("compare",),
    "confirm": ("confirm",),
    "certificate": ("certificate", "--output", "made.json"),
    "certificate by invariant": ("certificate", "--by", "invariant", "--output", "made.json"),
    "report": ("report", "--no-cache", "--output", "page.html"),
}

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks at processes in /proc")


@pytest.fixture(scope="module", autouse=True)
def built_quickly() -> None:
    """Not here: compilers are met as users have them."""


def limited(name: str, machine: Path, seconds: float, tmp_path: Path, *, cache: str = "cache") -> None:
    files = (machine, machine) if name == "compare" else (machine,)
    command, *options = COMMANDS[name]
    bench = Bench(tmp_path, tmp_path / cache)
    ended = bench.run(command, *files, *options, "--time-limit", f"{seconds:g} s")
    said = f"{ended.seconds:.1f} s, {ended.busy:.1f} s of processor, of {seconds:g} s"
    print(f"{name}, {machine.stem}: {said}, status {ended.status}")
    # Where other programs have the processors a command takes longer, and no more of them.
    assert min(ended.seconds, ended.busy / 2) < 2 * seconds + LOADED, ended
    assert ended.status in (0, 1, 4), ended
    assert "Traceback" not in ended.said
    assert ended.left == ()


@pytest.mark.parametrize("machine", [MANY_CHOICES, LONG_WAY], ids=lambda item: item.stem)
@pytest.mark.parametrize("name", ["check", "confirm", "strength", "report"])
def test_a_time_limit_ends_a_command_on_a_hard_machine(name: str, machine: Path, tmp_path: Path) -> None:
    limited(name, machine, 1, tmp_path)


@pytest.mark.night
@pytest.mark.parametrize("seconds", [2, 20])
@pytest.mark.parametrize("machine", [MANY_CHOICES, LONG_WAY], ids=lambda item: item.stem)
@pytest.mark.parametrize("name", COMMANDS)
def test_time_limits_end_every_command(name: str, machine: Path, seconds: float, tmp_path: Path) -> None:
    """Short ones fall into building, long ones into what comes after it."""
    limited(name, machine, seconds, tmp_path)
