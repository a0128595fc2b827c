"""``controller``: the C that is deployed, written by a command."""

from __future__ import annotations

import hashlib
import re
import subprocess
from pathlib import Path

import pytest

from backends import COMPILERS

from ..conftest import Command

ROOT = Path(__file__).resolve().parents[3]
GUIDE = ROOT / "docs" / "how-to" / "put-it-on-the-processor.md"
STRICT = ("-std=c99", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror")


def test_both_files_are_written_and_name_the_machine_file(
    stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    done = stillgate("controller", starter, "--output", tmp_path / "firmware")
    assert done.status == 0
    assert "press__scan is to be called every 20 ms" in done.out
    assert "nothing was checked: stillgate check" in done.out
    digest = hashlib.sha256(starter.read_bytes()).hexdigest()
    for name in ("controller.c", "controller.h"):
        assert f"SHA-256 {digest}" in (tmp_path / "firmware" / name).read_text(encoding="utf-8")


def test_the_same_file_gives_the_same_bytes(stillgate: Command, starter: Path, tmp_path: Path) -> None:
    """So that a build server sees that somebody forgot to write them again."""
    folder = tmp_path / "firmware"
    texts = []
    for _ in range(2):
        assert stillgate("controller", starter, "--output", folder).status == 0
        texts.append([(folder / name).read_bytes() for name in ("controller.c", "controller.h")])
    assert texts[0] == texts[1]


@pytest.mark.parametrize("name", ["controller.c", "controller.h"])
def test_a_file_written_by_hand_is_never_written_over(
    stillgate: Command, starter: Path, tmp_path: Path, name: str
) -> None:
    (tmp_path / name).write_bytes(b"int mine\xff;\n")
    done = stillgate("controller", starter, "--output", tmp_path)
    assert done.status == 2
    assert name in done.err
    assert "left as it is" in done.err
    assert (tmp_path / name).read_bytes() == b"int mine\xff;\n"
    assert {item.name for item in tmp_path.iterdir()} == {"press.yaml", name}


def test_a_bad_machine_file_leaves_the_old_files(stillgate: Command, starter: Path, tmp_path: Path) -> None:
    folder = tmp_path / "firmware"
    stillgate("controller", starter, "--output", folder)
    before = (folder / "controller.c").read_bytes()
    starter.write_text(starter.read_text(encoding="utf-8").replace("scan:", "skan:"), encoding="utf-8")
    done = stillgate("controller", starter, "--output", folder)
    assert done.status == 2
    assert "skan" in done.err
    assert (folder / "controller.c").read_bytes() == before


def test_a_file_in_place_of_the_folder_is_one_sentence(
    stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    done = stillgate("controller", starter, "--output", starter)
    assert done.status == 2
    assert "give the name of a folder" in done.err
    (tmp_path / "out" / "controller.h").mkdir(parents=True)
    done = stillgate("controller", starter, "--output", tmp_path / "out")
    assert done.status == 2
    assert "is a folder; give another one" in done.err


BOARD = """
#include <stdio.h>
#include <stdlib.h>
static int scans;
void hold_outputs_off(void) { puts("off"); }
void wait_for_the_timer(void) { if (scans++ == 40) exit(0); }
void read_inputs(press_two_hand__inputs *in)
{
    uint8_t pressed = (uint8_t)(scans > 10 ? 0x20 : 0); /* a port masked with its bit */
    in->left_pressed__pin = pressed;
    in->right_pressed__pin = pressed;
    in->left_released__pin = (uint8_t)(pressed ? 0 : 0x80);
    in->right_released__pin = (uint8_t)(pressed ? 0 : 0x80);
    in->ram_up__pin = 4;
    in->ram_down__pin = 0;
}
void write_outputs(const press_two_hand__outputs *out)
{
    printf("%d%d%d\\n", out->close_valve__pin, out->feed_valve__pin, out->open_valve__pin);
}
void serve_the_watchdog(void) {}
"""


@pytest.mark.parametrize("compiler", COMPILERS)
def test_the_main_program_of_the_guide_runs_the_press(
    stillgate: Command, compiler: str, tmp_path: Path
) -> None:
    """Compiled word for word, on a board that is a few lines; both valves open with both hands."""
    assert (
        stillgate("controller", ROOT / "machines" / "press_two_hand.yaml", "--output", tmp_path).status == 0
    )
    (main,) = re.findall(r"```c\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)
    (tmp_path / "main.c").write_text(main + BOARD, encoding="utf-8")
    command = [*COMPILERS[compiler], *STRICT, "main.c", "controller.c", "-o", "board"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    lines = subprocess.run([tmp_path / "board"], capture_output=True, text=True, check=True).stdout.split()
    assert lines[0] == "off"
    assert lines[1] == "001"  # opening, until the ram is seen up
    assert lines[2:10] == ["000"] * 8
    assert lines[-1] == "110"
