"""``--time-limit`` binds in every phase of every command: building, searching, ways back, proofs.

The machines are hard in one way each: a state with 2^60 choices, a way of 100 000 ticks; as many inputs as a
file holds, as many edges.
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


def many_inputs() -> str:
    """20,000 inputs, of which two are read."""
    free = "".join(f"  in_{n}: {{}}\n" for n in range(20_000))
    return f"""\
machine: many_inputs
scan: 20 ms
inputs:
{free}outputs: {{lamp: {{hazard: glare}}}}
hazards: {{glare: the lamp is bright}}
sequences:
  main:
    start: dark
    states:
      dark: {{exits: [{{when: in_0, to: lit}}]}}
      lit: {{on: [lamp], exits: [{{when: not in_1, to: dark}}]}}
requirements:
  only_lit: {{never: lamp and main.dark, hazard: glare}}
  can_light: {{reach: main.lit}}
  can_always_light: {{from_anywhere: main.lit}}
"""


def many_edges() -> str:
    """2,500 inputs of which an edge is asked for, each in a state of its own."""
    pairs = range(2500)
    inputs = "".join(f"  level_{n}: {{}}\n  edge_{n}: {{}}\n" for n in pairs)
    states = {
        first: "".join(
            f"      at_{n}: {{exits: [{{when: level_{n}, to: at_{first + (n + 1) % 100}}},"
            f" {{when: rising(edge_{n}), to: at_{first}}}]}}\n"
            for n in range(first, first + 100)
        )
        for first in range(0, len(pairs), 100)
    }
    sequences = "".join(
        f"  line_{first}:\n    start: at_{first}\n    states:\n{text}" for first, text in states.items()
    )
    return f"""\
machine: many_edges
scan: 20 ms
inputs:
{inputs}outputs: {{lamp: {{hazard: glare}}}}
hazards: {{glare: the lamp is bright}}
sequences:
{sequences}requirements:
  never_lit: {{never: lamp, hazard: glare}}
  can_go_on: {{reach: line_0.at_1}}
  can_always_go_on: {{from_anywhere: line_0.at_1}}
"""


LARGE = {"many inputs": many_inputs, "many edges": many_edges}

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks at processes in /proc")


@pytest.fixture(scope="module", autouse=True)
def built_quickly() -> None:
    """Not here: compilers are met as users have them."""


def limited(
    name: str,
    machine: Path,
    seconds: float,
    tmp_path: Path,
    *,
    cache: str = "cache",
    ends_within: float | None = None,
) -> None:
    files = (machine, machine) if name == "compare" else (machine,)
    command, *options = COMMANDS[name]
    bench = Bench(tmp_path, tmp_path / cache)
    ended = bench.run(command, *files, *options, "--time-limit", f"{seconds:g} s")
    said = f"{ended.seconds:.1f} s, {ended.busy:.1f} s of processor, of {seconds:g} s"
    print(f"{name}, {machine.stem}: {said}, status {ended.status}")
    # Where other programs have the processors a command takes longer, and no more of them.
    within = 2 * seconds if ends_within is None else ends_within
    assert min(ended.seconds, ended.busy / 2) < within + LOADED, ended
    assert ended.status in (0, 1, 4), ended
    assert "Traceback" not in ended.said
    assert ended.left == ()


@pytest.mark.parametrize("machine", [MANY_CHOICES, LONG_WAY], ids=lambda item: item.stem)
@pytest.mark.parametrize("name", ["check", "confirm", "strength", "report"])
def test_a_time_limit_ends_a_command_on_a_hard_machine(name: str, machine: Path, tmp_path: Path) -> None:
    limited(name, machine, 1, tmp_path)


@pytest.mark.parametrize("machine", LARGE)
def test_a_time_limit_ends_a_check_of_a_large_machine(machine: str, tmp_path: Path) -> None:
    """Its reading, linking and writing down in C took longer than the limit, and did not look at it."""
    path = tmp_path / "large.yaml"
    path.write_text(LARGE[machine](), encoding="utf-8")
    limited("check", path, 4, tmp_path, ends_within=4 + 2)


@pytest.mark.night
@pytest.mark.parametrize("seconds", [1, 4, 8])
@pytest.mark.parametrize("machine", LARGE)
@pytest.mark.parametrize("name", [name for name in COMMANDS if name != "report"])
def test_time_limits_end_every_command_on_a_large_machine(
    name: str, machine: str, seconds: float, tmp_path: Path
) -> None:
    """Short ones fall into reading, long ones into the building of sources and into compiling.

    A report is written in every case, with the tables and pictures of a machine as large as this one.
    """
    path = tmp_path / "large.yaml"
    path.write_text(LARGE[machine](), encoding="utf-8")
    limited(name, path, seconds, tmp_path, ends_within=seconds + 2)


@pytest.mark.night
@pytest.mark.parametrize("seconds", [2, 20])
@pytest.mark.parametrize("machine", [MANY_CHOICES, LONG_WAY], ids=lambda item: item.stem)
@pytest.mark.parametrize("name", COMMANDS)
def test_time_limits_end_every_command(name: str, machine: Path, seconds: float, tmp_path: Path) -> None:
    """Short ones fall into building, long ones into what comes after it."""
    limited(name, machine, seconds, tmp_path)
