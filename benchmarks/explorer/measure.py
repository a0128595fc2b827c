"""Speed and memory of the explorer by itself, on a machine made up for it (``synthetic_machine.h``).

Prints a table: every compiler found, one thread and two, the best of several runs. Run from anywhere:

    python benchmarks/explorer/measure.py [runs]
"""

from __future__ import annotations

import importlib.util
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
OPTIONS = ["-std=gnu11", "-O3", "-march=native", "-I", str(HERE), "-I", str(HERE.parents[1] / "interlocks")]
LINE = re.compile(r"([\d.]+) s: ([\d.]+) M states/s, ([\d.]+) M transitions/s; ([\d.]+) bytes/state")


def compilers() -> dict[str, list[str]]:
    """Commands of the compilers found here, by name."""
    found = {name: [name] for name in ("gcc", "clang") if shutil.which(name)}
    if importlib.util.find_spec("ziglang"):
        found["ziglang"] = [sys.executable, "-m", "ziglang", "cc"]
    return found


def main(runs: int = 3) -> None:
    """Builds, runs and prints."""
    with tempfile.TemporaryDirectory() as folder:
        print(f"{'compiler':10} threads  seconds  M states/s  M transitions/s  bytes/state (tables)")
        for name, command in compilers().items():
            program = Path(folder) / name
            subprocess.run(
                [*command, *OPTIONS, str(HERE / "bench_main.c"), "-o", str(program), "-lpthread"], check=True
            )
            for threads in ("1", "2"):
                best: tuple[float, ...] | None = None
                for _ in range(runs):
                    out = subprocess.run(
                        [str(program), threads], capture_output=True, text=True, check=True
                    ).stdout
                    match = LINE.search(out)
                    if match is None:
                        raise SystemExit(f"cannot read the benchmark's answer:\n{out}")
                    values = tuple(float(item) for item in match.groups())
                    best = values if best is None or values < best else best
                assert best is not None
                seconds, states, transitions, size = best
                print(
                    f"{name:10} {threads:>7}  {seconds:7.2f}  {states:10.2f}  {transitions:15.1f}"
                    f"  {size:11.1f}"
                )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3)
