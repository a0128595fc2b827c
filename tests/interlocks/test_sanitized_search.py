"""The generated checkers run clean under sanitizers of addresses, undefined behaviour and threads."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from stillgate.commands.new import starter_text
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.interlocks.exploration.search import checker_files
from stillgate.interlocks.loop.closed_loop import close_loop

MACHINES = Path(__file__).parents[2] / "machines"
MAIN = """
#include "checker.c"
#include <stdio.h>
int main(void)
{
    sg_options options = {3, 0, UINT64_MAX, UINT64_MAX >> 1, 0};
    sg_summary sum;
    int status;
    sg_run *run = sg_open(&options, &status);
    status = run ? sg_explore(run) : status;
    if (!run || status || sg_check(run))
        return 1;
    sg_summary_of(run, &sum);
    printf("%llu", (unsigned long long)sum.states);
    sg_close(run);
    return 0;
}
"""


@pytest.mark.night
@pytest.mark.skipif(shutil.which("gcc") is None, reason="needs gcc with its sanitizers")
@pytest.mark.parametrize("name", ["starter", "press_two_hand", "guarded_saw", "lavender_harvester"])
def test_a_search_without_faults_runs_clean_under_sanitizers(name: str, tmp_path: Path) -> None:
    """The starter too, which is so small that some of its tables have nothing in them."""
    starter = read_machine_text(starter_text("press")).machine
    machine = starter if name == "starter" else read_machine(MACHINES / f"{name}.yaml").machine
    loop = close_loop(machine, tick=machine.check.tick or machine.scan, faults=0)
    for file, text in (checker_files(loop) | {"main.c": MAIN}).items():
        (tmp_path / file).write_text(text, encoding="utf-8")
    for watched in ("address,undefined", "thread"):
        flags = ["-std=gnu11", "-O1", "-w", f"-fsanitize={watched}", "-fno-sanitize-recover=all"]
        subprocess.run(["gcc", *flags, "main.c", "-o", watched, "-lpthread"], cwd=tmp_path, check=True)
        done = subprocess.run([tmp_path / watched], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        assert int(done.stdout) > (50 if name == "starter" else 1000)
