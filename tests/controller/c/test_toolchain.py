"""Building: the compiler ends when its library is not wanted any more, and leaves nothing behind."""

from __future__ import annotations

import ctypes
import importlib.util
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest

from stillgate.commands.new import starter_text
from stillgate.controller.c.toolchain import Compiler, build_library, find_compiler
from stillgate.controller.effort import Effort, OutOfTime
from stillgate.controller.errors import CompilerError, ToolMissing

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


def kept(cache: Path) -> list[Path]:
    """Every file in a cache."""
    return [path for path in cache.rglob("*") if path.is_file()]


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
    effort = Effort()
    with ThreadPoolExecutor(1) as pool:
        building = pool.submit(build_library, {"a.c": ""}, "a.c", compiler=compiler, effort=effort)
        wait_for(tmp_path / "began")
        effort.stop.set()
        with pytest.raises(OutOfTime):
            building.result(timeout=10)
    assert_ended(tmp_path)
    assert not kept(cache)


def test_a_time_limit_ends_the_compiler(tmp_path: Path, cache: Path) -> None:
    compiler = Compiler((str(asleep(tmp_path)),), "asleep")
    began = time.monotonic()
    with pytest.raises(OutOfTime):
        build_library({"a.c": ""}, "a.c", compiler=compiler, effort=Effort().within(1))
    assert time.monotonic() - began < 10
    wait_for(tmp_path / "began")
    assert_ended(tmp_path)
    assert list((cache / "libraries").iterdir()) == []


def test_what_a_compiler_says_is_told(tmp_path: Path, cache: Path) -> None:
    """On whichever of its two outputs, and bytes that are no text do no harm."""
    compiler = Compiler(
        (str(compiler_that(tmp_path, "printf 'bad \\377'; echo worse >&2; exit 1")),), "angry"
    )
    with pytest.raises(CompilerError, match=r"refused the generated source(.|\n)*bad .worse"):
        build_library({"a.c": ""}, "a.c", compiler=compiler)
    assert not kept(cache)


def test_ctrl_c_ends_a_check_while_the_compiler_runs(tmp_path: Path, cache: Path) -> None:
    """Two builds run at once in a check with a fault; status 130, all undecided, nothing half-written."""
    machine = Path(__file__).parents[3] / "machines" / "press_two_hand.yaml"
    report = tmp_path / "check.xml"
    command = [sys.executable, "-P", "-m", "stillgate", "check", str(machine), "--output", str(report)]
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
    assert "UNDECIDED  press_two_hand: 8 of 8 requirements" in out
    assert "Traceback" not in said
    assert ElementTree.parse(report).getroot().tag == "testsuites"
    assert_ended(tmp_path)
    assert not kept(cache)


SOURCE = {"a.c": "int answer(void) { return 42; }"}


def answer(library: Path) -> int:
    found: int = ctypes.CDLL(str(library)).answer()
    return found


def test_a_library_is_loaded_from_a_copy_that_damage_in_the_cache_does_not_reach(cache: Path) -> None:
    copy = build_library(SOURCE, "a.c")
    (library,) = (cache / "libraries").iterdir()
    assert copy.parent != library.parent
    assert copy.read_bytes() == library.read_bytes().partition(b"\n")[2]
    library.write_bytes(b"")
    assert build_library(SOURCE, "a.c") == copy
    assert answer(copy) == 42


def test_processes_that_build_the_same_library_at_once_all_get_it(cache: Path) -> None:
    """And leave it whole, and nothing else."""
    text = "import sys, ctypes; from stillgate.controller.c.toolchain import build_library as b"
    text += f"; print(ctypes.CDLL(str(b({SOURCE!r}, 'a.c'))).answer())"
    command = [sys.executable, "-P", "-c", text]
    builders = [subprocess.Popen(command, stdout=subprocess.PIPE, text=True) for _ in range(4)]
    assert [builder.communicate(timeout=60)[0] for builder in builders] == ["42\n"] * 4
    assert len(list((cache / "libraries").iterdir())) == 1
    assert list((cache / "work").iterdir()) == []


def test_a_compiler_for_another_computer_is_told(tmp_path: Path, cache: Path) -> None:
    compiler = Compiler((str(compiler_that(tmp_path, "echo no library > built.so")),), "odd")
    with pytest.raises(ToolMissing, match=r"cannot be loaded \((.|\n)*another computer set CC"):
        build_library({"a.c": ""}, "a.c", compiler=compiler)
    assert not list(cache.rglob("libraries/*"))


def test_a_compiler_that_is_refused_for_want_of_room_is_not_the_sources_fault(
    tmp_path: Path, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    compiler = Compiler((str(compiler_that(tmp_path, "echo no room; exit 1")),), "full")

    def full(*_: object) -> int:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(ToolMissing, match=r"\(No space left on device\); set STILLGATE_CACHE"):
        build_library({"a.c": ""}, "a.c", compiler=compiler)
    assert not kept(cache)


def test_a_compiler_writes_its_own_files_where_they_go_with_the_build(tmp_path: Path, cache: Path) -> None:
    compiler = Compiler((str(compiler_that(tmp_path, 'echo x > "$TMPDIR/left"; pwd; exit 1')),), "messy")
    with pytest.raises(CompilerError, match=str(cache / "work")):
        build_library({"a.c": ""}, "a.c", compiler=compiler)
    assert not kept(cache)


@pytest.mark.parametrize("name", ["CPATH", "COMPILER_PATH", "LIBRARY_PATH"])
def test_what_surrounds_a_compiler_is_in_its_identity(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    before = find_compiler().identity
    monkeypatch.setenv(name, "/elsewhere")
    assert find_compiler().identity != before


def test_a_compiler_that_another_program_calls_is_in_the_identity(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("caller", "cc"):
        (tmp_path / name).write_text("#!/bin/sh\n")
        (tmp_path / name).chmod(0o755)
    monkeypatch.setenv("CC", f"{tmp_path / 'caller'} {tmp_path / 'cc'}")
    before = find_compiler().identity
    (tmp_path / "cc").write_text("#!/bin/sh\nexit 1\n")
    assert find_compiler().identity != before


@pytest.mark.skipif(importlib.util.find_spec("ziglang") is None, reason="the extra cc is not installed")
def test_where_the_wheels_compiler_is_the_only_one_a_check_runs(tmp_path: Path) -> None:
    """Its checks of its own (of undefined behaviour, where little is optimised) are not in what it makes:
    they end the process of whoever only wanted a verdict. That ours has none is for the sanitizers to say.
    Without faults, since with them all is optimised.
    """
    (tmp_path / "press.yaml").write_text(starter_text("press"), encoding="utf-8")
    (tmp_path / "nothing").mkdir()
    environment = {name: value for name, value in os.environ.items() if name != "CC"}
    environment = {
        name: value for name, value in environment.items() if not name.startswith(("XDG_", "ZIG_"))
    }
    environment |= {"PATH": str(tmp_path / "nothing"), "HOME": str(tmp_path / "home")}
    environment |= {"STILLGATE_CACHE": str(tmp_path / "cache")}
    done = subprocess.run(
        [sys.executable, "-P", "-m", "stillgate", "check", "press.yaml", "--faults", "0"],
        cwd=tmp_path, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[:2000]
    assert "HOLDS  press: all 4 requirements" in done.stdout
    assert not (tmp_path / "home").exists(), "what it keeps is in our cache"
    assert (tmp_path / "cache" / "compiler").is_dir()
    assert not [*(tmp_path / "cache").rglob("checker.o")], "what was compiled is kept as a library alone"


@pytest.mark.skipif(sys.platform != "linux", reason="it is built on other systems")
@pytest.mark.skipif(importlib.util.find_spec("ziglang") is None, reason="the extra cc is not installed")
def test_the_wheels_compiler_builds_no_run_time_library_that_nothing_needs(cache: Path) -> None:
    """It took ten seconds of the processor, and half a minute's patience, at the first check."""
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("CC", raising=False)
        patch.delenv("ZIG_GLOBAL_CACHE_DIR", raising=False)
        patch.setenv("PATH", "")
        compiler = find_compiler()
        assert answer(build_library(SOURCE, "a.c", compiler=compiler)) == 42
        assert not [*(cache / "compiler").rglob("*compiler_rt*")]
        wide = "unsigned __int128 answer(unsigned __int128 a, unsigned __int128 b) { return b ? a / b : 42; }"
        build_library({"a.c": wide}, "a.c", compiler=compiler)
        assert [*(cache / "compiler").rglob("*compiler_rt*")], "where it is needed it is built"


def test_a_compiler_that_refuses_what_would_spare_it_work_is_called_without(cache: Path) -> None:
    compiler = replace(find_compiler(), sparing=("-Wl,--no-option-of-any-linker",))
    assert answer(build_library(SOURCE, "a.c", compiler=compiler)) == 42
