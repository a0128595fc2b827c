"""The command line: help, exit statuses, and no traceback whatever happens."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
import tracemalloc
from pathlib import Path

import pytest

from stillgate import cli
from stillgate.cli import COMMANDS, build_app
from stillgate.help_page import HELP_PAGE

from .conftest import Command

PROGRAM = [sys.executable, "-P", "-m", "stillgate"]
"""-P: not the folder the tests are run from, which holds the sources and not the package."""


def call(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command as a user starts it."""
    return subprocess.run(
        [*PROGRAM, *arguments],
        capture_output=True,
        text=True,
        env={**os.environ, **environment},
        timeout=60,
        check=False,
    )


@pytest.mark.parametrize("arguments", [(), ("--help",), ("-h",), ("help",)])
def test_help_is_one_page_of_eighty_columns(stillgate: Command, arguments: tuple[str, ...]) -> None:
    done = stillgate(*arguments)
    assert (done.status, done.out, done.err) == (0, HELP_PAGE, "")
    assert max(map(len, HELP_PAGE.splitlines())) <= 80
    assert len(HELP_PAGE.splitlines()) <= 40


def test_the_help_page_names_every_command() -> None:
    named = re.findall(r"^  stillgate ([\w-]+)", HELP_PAGE, re.MULTILINE)
    assert sorted(named) == sorted(COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_a_page_that_explains_every_option(stillgate: Command, command: str) -> None:
    done = stillgate(command, "--help")
    assert done.status == 0
    assert f"Usage: stillgate {command}" in done.out
    sub = build_app()[command]
    for argument in sub.assemble_argument_collection(parse_docstring=True):
        assert argument.parameter.help, (command, argument.name)


def test_help_loads_few_modules_and_none_of_the_heavy_libraries() -> None:
    """What makes it appear at once; how soon it does is a figure of ``python -m benchmarks help``."""
    code = (
        "import sys; before = set(sys.modules); from stillgate.cli import run_command;"
        "run_command(['--help']); print(*sorted(set(sys.modules) - before))"
    )
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.splitlines()[-1].split())
    assert "stillgate.help_page" in loaded
    assert not loaded & {"pydantic", "ruamel", "lark", "transitions", "cyclopts", "rich"}
    own = {name for name in loaded if name.partition(".")[0] == "stillgate"}
    assert len(own) < 12, own


def test_the_version_is_that_of_the_distribution(stillgate: Command) -> None:
    from importlib.metadata import version

    assert stillgate("--version").out == f"stillgate {version('stillgate')}\n"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("chek", "x.yaml"), "'chek' is not a command; did you mean 'check'?"),
        (("\x1b[31mx",), "is not a command; there are new, check, watch"),
        (("check",), 'Command "check" parameter MACHINE requires an argument'),
        (("check", "x.yaml", "--tik", "1 s"), "Unknown option: --tik. Did you mean --tick?"),
        (("check", "x.yaml", "--faults", "many"), "--faults"),
        (("check", "x.yaml", "--format", "xml"), "--format"),
        (("check", "x.yaml"), "x.yaml"),
        (("check", "{file}", "--tick", "20"), "--tick: '20' is a number without a unit; say '20 ms'"),
        (("check", "{file}", "--tick", "fast"), "--tick: 'fast' is not a time"),
        (("check", "{file}", "--tick", "0 ms"), "--tick: '0 ms' is no time at all; write one like '100 ms'"),
        (("report", "{file}", "--tick", "0 s"), "--tick: '0 s' is no time at all"),
        (("draw", "{file}", "--output", "{file}"), "is a file; give the name of a folder"),
        (("draw", "{file}", "--only", "mian"), "--only: there is no picture 'mian'; there are main"),
        (("check", "{file}", "--faults", "2"), "--faults is 2; it goes from 0 to 1"),
        (("check", "{file}", "--threads", "0"), "--threads is 0; it goes from 1 to 256"),
        (("check", "{file}", "--max-memory", "lots"), "--max-memory: 'lots' is not a size"),
        (("run", "{file}", "--at", "soon"), "'soon' is not an event; write a line like"),
        (("run", "{file}", "--at", "1 s strat on"), "there is no input 'strat'; did you mean 'start'?"),
        (("run", "{file}", "--at", "1 s still on"), "still is moved by the part shaft and cannot be set"),
        (("run", "{file}", "--at", "1 s motr stuck on"), "there is no fault 'motr stuck on'"),
        (("run", "{file}", "--at", "1 h start on for ever"), "'ever' is not a time"),
        (("run", "{file}", "--for", "24 h"), "is too long"),
        (("run", "{file}", "--script", "nowhere.txt"), "nowhere.txt: No such file"),
        (("explain", "{file}", "--in", "main"), "--in: 'main' is not of the form name=value"),
        (("explain", "{file}", "--in", "main=runing"), "did you mean 'running'?"),
        (("explain", "{file}", "--in", "mian=running"), "did you mean 'main'?"),
        (("explain", "{file}", "--with", "gard_shut=off"), "did you mean 'guard_shut'?"),
        (("explain", "{file}", "--with", "guard_shut=ajar"), "guard_shut is on or off, not 'ajar'"),
        (("explain", "{file}", "--with", "start=on,start=off"), "'start' is given twice"),
        (("explain", "{file}", "--for", "1 s", "--in", "main=running"), "not both"),
        (("new", "{file}"), "is there already and was left as it is"),
        (("schema", "--of", "moon"), "--of"),
    ],
)
def test_bad_use_is_one_clear_sentence_and_status_2(
    stillgate: Command, starter: Path, arguments: tuple[str, ...], said: str
) -> None:
    before = starter.read_bytes()
    done = stillgate(*(item.replace("{file}", str(starter)) for item in arguments))
    assert done.status == 2
    assert said in " ".join(done.err.split())
    assert done.out == ""
    assert "Traceback" not in done.err
    assert "\x1b" not in done.err
    assert starter.read_bytes() == before
    assert [path.name for path in starter.parent.iterdir()] == [starter.name]


@pytest.mark.parametrize("command", ["check", "draw", "run", "explain"])
@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"\x00\x01\x02\xff\xfe binary", "x.yaml"),
        (b"", "x.yaml"),
        (b"machine: [", "x.yaml:1"),
        ("machine: größe\n".encode("latin-1"), "x.yaml"),
        (b"[" * 100_000, "x.yaml:1"),
        (b"machine: x\nscan: 20 ms\nsequences: {}\nsequenses: {}\n", "x.yaml:4:1"),
        (b"&a [*a]", "x.yaml"),
    ],
    ids=["binary", "empty", "half", "latin-1", "deep", "unknown key", "circle"],
)
def test_a_bad_file_is_refused_with_its_place_by_every_command(
    stillgate: Command, tmp_path: Path, command: str, content: bytes, said: str
) -> None:
    path = tmp_path / "x.yaml"
    path.write_bytes(content)
    done = stillgate(command, path)
    assert done.status == 2
    assert said in done.err
    assert "Traceback" not in done.err
    assert [item.name for item in tmp_path.iterdir()] == ["x.yaml"]


def test_a_folder_is_no_machine_file(stillgate: Command, tmp_path: Path) -> None:
    done = stillgate("check", tmp_path)
    assert done.status == 2
    assert "this is a folder" in done.err


def test_a_file_of_100_megabytes_is_refused_before_it_is_read(stillgate: Command, tmp_path: Path) -> None:
    path = tmp_path / "large.yaml"
    with path.open("wb") as stream:
        stream.truncate(100_000_000)
    tracemalloc.start()
    try:
        done = stillgate("check", path)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert done.status == 2
    assert "100.0 MB" in done.err
    assert most < 20_000_000, "it was read"


@pytest.mark.skipif(sys.platform == "win32", reason="no device of that name")
@pytest.mark.parametrize("command", ["check", "watch", "report", "run"])
def test_a_device_without_an_end_is_no_machine_file(command: str) -> None:
    done = call(command, "/dev/zero")
    assert done.returncode == 2
    assert "this is not a regular file" in done.stderr


def test_a_fault_of_the_program_is_one_sentence_and_status_3(
    stillgate: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(arguments: list[str]) -> int:
        raise RuntimeError("the impossible\nhappened")

    monkeypatch.setattr(cli, "_dispatch", fail)
    done = stillgate("check", "x.yaml")
    assert done.status == 3
    assert "a fault of the program, not of your file: RuntimeError: the impossible happened" in done.err
    assert "STILLGATE_REPORT=report.txt" in done.err
    assert "Traceback" not in done.err


def test_the_details_of_a_fault_go_to_the_file_asked_for(
    stillgate: Command, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def fail(arguments: list[str]) -> int:
        raise RuntimeError("the impossible happened")

    report = tmp_path / "report.txt"
    monkeypatch.setattr(cli, "_dispatch", fail)
    monkeypatch.setenv("STILLGATE_REPORT", str(report))
    done = stillgate("check", "x.yaml")
    assert done.status == 3
    assert "Traceback" not in done.err
    assert "RuntimeError: the impossible happened" in report.read_text()


def test_an_interrupt_is_status_130(stillgate: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(arguments: list[str]) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "_dispatch", interrupt)
    done = stillgate("check", "x.yaml")
    assert (done.status, done.err) == (130, "stillgate: interrupted\n")


def test_statuses_reach_the_shell() -> None:
    assert call("--version").returncode == 0
    missing = call("check", "no_such_file.yaml")
    assert missing.returncode == 2
    assert "no_such_file.yaml" in missing.stderr
    assert "Traceback" not in missing.stderr


def test_a_reader_that_goes_away_is_no_error() -> None:
    done = subprocess.run(
        f"{shlex.join(PROGRAM)} schema | head -c 10",
        shell=True,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stderr == ""


def test_a_reader_that_goes_away_before_an_error_is_told_is_no_traceback(tmp_path: Path) -> None:
    """Both streams are closed: only the status can tell, and it must not read as 'something is broken'."""
    file = tmp_path / "bad.yaml"
    file.write_text("machine: 3\n", encoding="utf-8")
    away, end = os.pipe()
    os.close(away)
    done = subprocess.run([*PROGRAM, "check", str(file)], stdout=end, stderr=end, timeout=60, check=False)
    os.close(end)
    assert done.returncode == cli.BROKEN_PIPE


def test_a_reader_that_is_gone_is_status_141_for_tables_too(starter: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [*PROGRAM, "faults", str(starter)], stdout=writing, stderr=subprocess.PIPE, text=True, check=False
    )
    os.close(writing)
    assert (done.returncode, done.stderr) == (141, "")


@pytest.mark.parametrize("command", ["log", "replay", "diagnose", "run", "soak"])
def test_the_help_of_what_takes_its_time_names_the_status_of_an_interrupt(
    stillgate: Command, command: str
) -> None:
    assert "130 interrupted" in " ".join(stillgate(command, "--help").out.split())


def test_no_colour_off_a_terminal_even_if_it_is_claimed(starter: Path) -> None:
    done = call("explain", str(starter), TERM="xterm-256color")
    assert done.returncode == 0
    assert "\x1b" not in done.stdout


def test_a_terminal_that_knows_ascii_only_gets_question_marks(starter: Path) -> None:
    done = call("run", str(starter), "--for", "1 s", PYTHONIOENCODING="ascii")
    assert done.returncode == 0


def test_completion_can_be_printed_for_each_shell(stillgate: Command) -> None:
    for shell in ("bash", "zsh", "fish", "powershell"):
        done = stillgate("completion", "--shell", shell, "--show")
        assert done.status == 0
        assert "explain" in done.out


def test_doctor_finds_what_is_needed(stillgate: Command) -> None:
    done = stillgate("doctor", "--format", "json")
    document = json.loads(done.out)
    assert document["ready"] is True
    assert done.status == 0
    assert {"C compiler", "diagram renderer", "lark"} <= {item["name"] for item in document["items"]}


def test_doctor_says_what_is_missing_and_how_to_get_it(
    stillgate: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CC", "no-such-compiler")
    done = stillgate("doctor")
    assert done.status == 1
    assert "missing" in done.out
    assert "no-such-compiler" in " ".join(done.out.split())


FULL = Path("/dev/full")


@pytest.mark.skipif(not FULL.exists(), reason="this system has no device that is always full")
@pytest.mark.parametrize(
    "arguments",
    [
        ("--help",),
        ("--version",),
        ("schema",),
        ("check", "{file}"),
        ("check", "{file}", "--format", "json"),
        ("check", "--help"),
        ("explain", "{file}"),
        ("run", "{file}", "--for", "1s"),
    ],
    ids=lambda item: item if isinstance(item, str) else " ".join(item),
)
def test_output_that_finds_no_room_is_one_sentence(arguments: tuple[str, ...], starter: Path) -> None:
    command = [*PROGRAM, *(item.format(file=starter) for item in arguments)]
    with FULL.open("w", encoding="utf-8") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
        assert done.returncode == 2
        assert done.stderr == "stillgate: the output cannot be written: No space left on device\n"
        assert subprocess.run(command, stdout=full, stderr=full, check=False).returncode == 2


@pytest.mark.skipif(os.name != "posix", reason="limits the size of files as POSIX has it")
@pytest.mark.parametrize("name", ["run.scans.csv", "run.csv", "run.parquet", "run.vcd"])
def test_a_file_that_finds_no_room_is_named_and_not_there(tmp_path: Path, name: str) -> None:
    """A limit stands for the full disk: a write beyond it fails with EFBIG (setrlimit, POSIX.1-2017)."""
    harvester = Path(__file__).parents[2] / "machines" / "lavender_harvester.yaml"
    command = shlex.join([*PROGRAM, "run", str(harvester), "--for", "20s"])
    line = f"ulimit -f 1; {command} --output {name}"
    done = subprocess.run(["sh", "-c", line], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.stderr == f"stillgate: {name}: File too large\n"
    assert (done.returncode, list(tmp_path.iterdir())) == (2, [])


@pytest.mark.skipif(sys.platform == "win32", reason="the compiler of this test is a shell script")
def test_refused_c_is_a_fault_of_the_program_with_the_compilers_words(
    stillgate: Command, starter: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who wrote the machine file wrote no C: that is no bad use, and the words are what gets it mended."""
    compiler = tmp_path / "cc"
    words = "checker.c:7:9: error: expected expression"
    compiler.write_text(f"#!/bin/sh\necho '{words}' >&2\nexit 1\n", encoding="utf-8")
    compiler.chmod(0o755)
    monkeypatch.setenv("CC", str(compiler))
    monkeypatch.setenv("STILLGATE_CACHE", str(tmp_path / "cache"))
    done = stillgate("check", starter)
    assert done.status == 3
    assert "a fault of the program, not of your file" in done.err
    assert words in done.err
    assert not list((tmp_path / "cache" / "libraries").iterdir())
