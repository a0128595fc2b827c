"""``stillgate log``, and the logs and traces that ``stillgate run`` leaves."""

from __future__ import annotations

import bz2
import gzip
import json
import lzma
from pathlib import Path

import jsonschema
import pytest

from stillgate.controller.reading.reader import read_machine
from stillgate.reports.runs.log_summary import LOG
from stillgate.sim_io.logs.readers import read_log

from ..conftest import Command

SCRIPT = (
    "--for", "6 s", "--seed", "7", "--at", "1 s start on for 200 ms", "--at", "2 s guard_shut off",
    "--at", "3 s power off", "--at", "4 s power on",
)  # fmt: skip

SOME_ROWS = b"time_ms,start\n0,1\n"


@pytest.fixture
def recorded(stillgate: Command, starter: Path) -> Path:
    """A log of the starter machine, power interrupted for a second."""
    path = starter.parent / "press.log"
    assert stillgate("run", starter, *SCRIPT, "--output", path).status == 0
    return path


def test_the_log_of_a_run_says_what_the_run_said(stillgate: Command, starter: Path, recorded: Path) -> None:
    document = json.loads(stillgate("run", starter, *SCRIPT, "--format", "json").out)
    log = read_log(recorded, read_machine(starter).machine)
    told = {(c.time, c.name, c.value) for c in log.changes()}
    for step in document["steps"]:
        for change in step["changes"]:
            if change["name"] in ("main", "guard_lamp", "motor", "lamp"):
                value = {"on": 1, "off": 0}.get(change["after"], change["after"])
                value = "" if change["after"] == "off" and change["name"] in ("main", "guard_lamp") else value
                assert (step["time"], change["name"], value) in told, change
    assert log.trouble() == ()


def test_what_is_in_a_log_is_printed_for_a_person(stillgate: Command, starter: Path, recorded: Path) -> None:
    done = stillgate("log", starter, recorded)
    assert done.status == 0
    assert done.err == ""
    lines = [" ".join(line.split()) for line in done.out.splitlines()]
    assert "from 0.0 s to 6.0 s, 41 changes" in lines
    assert "events: closed 1" in lines
    assert "start input 4 0 0 1.0 s" in lines
    assert "main state 4 stopped stopping" in lines
    assert "Every line of it could be read." in lines
    assert "not what the machine did" in done.out
    assert all(len(line) <= 80 or str(recorded) in line for line in done.out.splitlines())


def test_the_json_of_a_log_fits_its_schema(stillgate: Command, starter: Path, recorded: Path) -> None:
    recorded.write_bytes(recorded.read_bytes().replace(b"motor=1", b"motor=0", 1) + b"torn")
    document = json.loads(stillgate("log", starter, recorded, "--format", "json").out)
    jsonschema.Draft7Validator(LOG).validate(document)
    assert {item["kind"] for item in document["trouble"]} == {"altered", "torn"}
    assert document["begin"] == 0
    assert document["end"] == 6000
    motor = next(item for item in document["signals"] if item["name"] == "motor")
    assert motor["kind"] == "output"


def test_a_damaged_log_is_read_and_what_is_wrong_is_quoted(
    stillgate: Command, starter: Path, recorded: Path
) -> None:
    recorded.write_bytes(recorded.read_bytes().replace(b"motor=1", b"motor=0", 1) + b"9 6000 se")
    done = stillgate("log", starter, recorded)
    assert done.status == 0
    assert "WHAT IS WRONG WITH IT" in done.out
    assert "1 case: record whose checksum is wrong, skipped" in done.out
    assert "line 4: 3 1000 set start=1 main=running motor=0" in " ".join(done.out.split())
    assert "1 case: record cut off at the end, left out" in done.out


@pytest.mark.parametrize("suffix", ["csv", "parquet"])
def test_a_log_in_another_form_is_the_same_log(
    stillgate: Command, starter: Path, recorded: Path, suffix: str
) -> None:
    target = recorded.with_suffix(f".{suffix}")
    assert f"written: {target}" in stillgate("log", starter, recorded, "--output", target).out.replace(
        "\n", ""
    )
    first = json.loads(stillgate("log", starter, recorded, "--format", "json").out)
    second = json.loads(stillgate("log", starter, target, "--format", "json").out)
    for key in ("signals", "events", "trouble", "begin", "end", "changes", "scan"):
        assert first[key] == second[key], key


@pytest.mark.parametrize(
    ("target", "why"),
    [
        ("press.log.csv", "is the log itself; give another name"),
        ("none/out.csv", "there is no folder"),
        ("folder.csv", "is a folder; give the name of a file"),
        ("out.txt", "the name of a trace ends in .csv, .parquet or .vcd"),
    ],
)
def test_a_bad_place_for_another_form_is_refused_before_the_log_is_read(
    stillgate: Command, starter: Path, target: str, why: str
) -> None:
    log = starter.with_name("press.log.csv")
    log.write_text("time_ms,start\n0,1\n")
    starter.with_name("folder.csv").mkdir()
    done = stillgate("log", starter, log, "--output", starter.parent / target)
    assert (done.status, done.out) == (2, "")
    assert why in done.err
    assert log.read_text() == "time_ms,start\n0,1\n"


def test_a_waveform_is_written_and_not_read(stillgate: Command, starter: Path, recorded: Path) -> None:
    target = recorded.with_suffix(".vcd")
    assert stillgate("log", starter, recorded, "--output", target).status == 0
    done = stillgate("log", starter, target)
    assert done.status == 2
    assert done.err.endswith("a value change dump is not read; give the log that it was made from\n")


def test_a_log_of_another_version_of_the_machine_file_is_read_with_a_warning(
    stillgate: Command, starter: Path, recorded: Path
) -> None:
    starter.write_text(starter.read_text() + "# a remark\n")
    done = stillgate("log", starter, recorded)
    assert done.status == 0
    assert "warning: " in done.err
    assert "it was recorded with another version of the machine file (SHA-256" in done.err


def test_a_log_of_another_machine_is_read_as_far_as_they_agree(
    stillgate: Command, starter: Path, recorded: Path
) -> None:
    starter.write_text(starter.read_text().replace("machine: press", "machine: punch"))
    done = stillgate("log", starter, recorded)
    assert done.status == 0
    assert "this is a log of 'press', the machine file describes 'punch'" in done.err


def test_a_foreign_log_is_read_with_entries_on_the_command_line(stillgate: Command, starter: Path) -> None:
    path = starter.parent / "site.csv"
    path.write_text("time_ms;DI 1;DI 2\n0;0;1\n40;1;1\n")
    done = stillgate("log", starter, path, "--column", "DI 1=start", "--column", "DI 2=stop_ok")
    assert done.status == 0
    assert "start input 1 0 1" in " ".join(done.out.split())
    done = stillgate("log", starter, path, "--column", "DI 1=strat")
    assert done.status == 2
    assert "the machine has no signal 'strat' (did you mean 'start'?)" in done.err


def test_a_run_leaves_traces_in_every_form(stillgate: Command, starter: Path) -> None:
    for suffix in ("csv", "parquet", "vcd"):
        target = starter.parent / f"run.{suffix}"
        assert stillgate("run", starter, *SCRIPT, "--output", target).status == 0
        assert target.stat().st_size > 300
    done = stillgate("run", starter, "--output", starter.parent / "run.txt")
    assert done.status == 2
    assert "ends in none of .scans.csv, .csv, .parquet, .vcd, .svg, .log" in done.err


def test_a_run_goes_on_with_a_log_that_is_there(stillgate: Command, starter: Path, recorded: Path) -> None:
    before = recorded.read_bytes()
    assert stillgate("run", starter, *SCRIPT, "--output", recorded).status == 0
    assert recorded.read_bytes().startswith(before)


@pytest.mark.parametrize(
    ("place", "why"),
    [("none/press.log", "No such file or directory"), ("notes.log", "it is not a log of this recorder")],
)
def test_a_run_that_cannot_record_says_so_at_once(
    stillgate: Command, starter: Path, place: str, why: str
) -> None:
    notes = starter.with_name("notes.log")
    notes.write_text("the guard was bent\n")
    done = stillgate("run", starter, "--output", starter.parent / place)
    assert done.status == 2
    assert why in done.err
    assert done.out == ""
    assert notes.read_text() == "the guard was bent\n"


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("missing.log", None, "there is no such file"),
        ("empty.log", b"", "the file is empty: nothing was recorded in it"),
        ("noise.log", bytes(range(7, 70)) + b"\0" * 64, "this is no log that can be read"),
        ("packed.log.gz", gzip.compress(SOME_ROWS, mtime=0), "it is compressed (gzip); unpack it first"),
        ("packed.bz2", bz2.compress(SOME_ROWS), "it is compressed (bzip2)"),
        ("packed.xz", lzma.compress(SOME_ROWS), "it is compressed (xz)"),
        ("table.xlsx", b"PK\x03\x04" + bytes(60), "the workbook of a spreadsheet; unpack it, or save the"),
        ("text.log", b"hello\n", "the header has no ',', ';', tab or '|'"),
    ],
)
def test_what_is_no_log_is_refused_in_one_sentence(
    stillgate: Command, starter: Path, name: str, content: bytes | None, message: str
) -> None:
    path = starter.parent / name
    if content is not None:
        path.write_bytes(content)
    done = stillgate("log", starter, path)
    assert done.status == 2
    assert message in done.err
    assert "Traceback" not in done.err
    assert done.err.count("\n") == 1


def test_a_folder_is_no_log(stillgate: Command, starter: Path) -> None:
    done = stillgate("log", starter, starter.parent)
    assert (done.status, done.out) == (2, "")
    assert "this is a folder; name the log file in it" in done.err
