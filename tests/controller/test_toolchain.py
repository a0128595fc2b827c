"""Building: the compiler ends when its library is not wanted any more, and leaves nothing behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import CancelledError, ThreadPoolExecutor
from pathlib import Path

import pytest
from stillgate.controller.errors import CompilerError
from stillgate.controller.toolchain import Compiler, build_library

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="compilers of these tests are shell scripts")


def compiler_that(folder: Path, *lines: str) -> Path:
    """A compiler that adds the number of its process to ``processes``, then does as told."""
    script = folder / "cc"
    script.write_text(
        "\n".join(("#!/bin/sh", f"echo $$ >> {folder}/processes", *lines, "")), encoding="utf-8"
    )
    script.chmod(0o755)
    return script


def asleep(folder: Path) -> Path:
    """One that calls another program, as compilers do, which takes a minute."""
    return compiler_that(
        folder, f"sleep 60 & echo $! >> {folder}/processes", f"echo > {folder}/began", "wait"
    )


def wait_for(file: Path) -> None:
    """Until a file is there."""
    deadline = time.monotonic() + 30
    while not file.exists():
        assert time.monotonic() < deadline, f"{file} never came"
        time.sleep(0.02)


def runs(process: int) -> bool:
    """Whether a process is there and not just waiting to be collected."""
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    status = Path(f"/proc/{process}/stat")
    return not status.exists() or status.read_text().rsplit(")", 1)[1].split()[0] != "Z"


def assert_ended(folder: Path) -> None:
    """The compiler and what it called end soon; left alone they would take a minute."""
    processes = [int(line) for line in (folder / "processes").read_text().splitlines()]
    deadline = time.monotonic() + 10
    while any(runs(process) for process in processes):
        assert time.monotonic() < deadline, "the compiler goes on"
        time.sleep(0.02)


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A cache folder of the test's own."""
    folder = tmp_path / "cache"
    folder.mkdir(mode=0o700)
    monkeypatch.setenv("STILLGATE_CACHE", str(folder))
    return folder


def test_a_build_that_is_not_wanted_any_more_ends_with_its_compiler(tmp_path: Path, cache: Path) -> None:
    """Nothing half-built is left in the cache."""
    compiler = Compiler((str(asleep(tmp_path)),), "asleep")
    stop = threading.Event()
    with ThreadPoolExecutor(1) as pool:
        building = pool.submit(build_library, {"a.c": ""}, "a.c", compiler=compiler, stop=stop)
        wait_for(tmp_path / "began")
        stop.set()
        with pytest.raises(CancelledError, match="not wanted"):
            building.result(timeout=10)
    assert_ended(tmp_path)
    assert list((cache / "libraries").iterdir()) == []


def test_what_a_compiler_says_is_told(tmp_path: Path, cache: Path) -> None:
    """On whichever of its two outputs, and bytes that are no text do no harm."""
    compiler = Compiler(
        (str(compiler_that(tmp_path, "printf 'bad \\377'; echo worse >&2; exit 1")),), "angry"
    )
    with pytest.raises(CompilerError, match=r"refused the generated source(.|\n)*bad .worse"):
        build_library({"a.c": ""}, "a.c", compiler=compiler)
    assert list((cache / "libraries").iterdir()) == []


def test_ctrl_c_ends_a_check_while_the_compiler_runs(tmp_path: Path, cache: Path) -> None:
    """Two builds run at once in a check with a fault; status 130, nothing half-written."""
    machine = Path(__file__).parents[2] / "machines" / "press_two_hand.yaml"
    report = tmp_path / "check.xml"
    command = [sys.executable, "-P", "-m", "stillgate", "check", str(machine), "--junit", str(report)]
    with subprocess.Popen(
        [*command, "--faults", "1"],
        env=os.environ | {"CC": str(asleep(tmp_path))},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=tmp_path,
    ) as check:
        wait_for(tmp_path / "began")
        pressed = time.monotonic()
        check.send_signal(signal.SIGINT)
        out, said = check.communicate(timeout=40)
    assert check.returncode == 130, said
    assert time.monotonic() - pressed < 20
    assert out == ""
    assert "Traceback" not in said
    assert not report.exists()
    assert_ended(tmp_path)
    assert list((cache / "libraries").iterdir()) == []
