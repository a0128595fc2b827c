"""Names of files and what stands in logs may hold anything; a terminal and a file get it escaped.

Source for the marks of direction: Unicode Standard Annex 9, section 2; for control functions: ECMA-48.
"""

from __future__ import annotations

import json
import unicodedata
import zlib
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from stillgate.console.terminal import output_console, write_line
from stillgate.controller.visible_text import one_line, visible

from .conftest import Command

BAD = "\x1b[2J\x07\u202e\u2066\x9b\x00é"
"""Clears a screen, rings, turns the direction twice, begins a control function, ends a text in C."""

SHOWN = "\\x1b[2J\\x07\\u202e\\u2066\\x9b\\x00é"


def clean(text: str) -> bool:
    """Whether no character is of a category that acts instead of being seen, line breaks apart."""
    return not [c for c in text if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp") and c != "\n"]


def hostile_log(path: Path, *, machine: str = "press") -> Path:
    """A log with valid checksums whose header, values and events hold what should act."""
    header = {
        "format": "stillgate recording 1", "machine": machine, "digest": BAD, "version": BAD, "scan": 20,
        "started": BAD, "part": 1, "first": True,
        "inputs": ["start", BAD], "sequences": ["main"], "memory": [], "outputs": ["ram"],
    }  # fmt: skip
    records = [
        f"0 0 log {json.dumps(header)}",
        "1 0 all power=1 start=0 main=stopped ram=0",
        "2 20 set main=a\x1b[2Jb\u202e start=1",
        f"3 40 event note {json.dumps(BAD)}",
        "4 60 set \x1b]0;x\x07=1",
    ]
    lines = [f"{text} ;{zlib.crc32(text.encode()):08x}\n".encode() for text in records]
    path.write_bytes(b"".join(lines) + b"5 80 set \x1b[2J ;00000000\n")
    return path


@pytest.mark.parametrize(
    "line",
    [
        "log {file} {log}",
        "log {file} {log} --output {folder}/x.vcd --output {folder}/x.csv --output {folder}/x.parquet",
        "replay {file} {log}",
        "diagnose {file} {log}",
    ],
)
def test_a_log_that_would_steer_the_terminal_is_shown_escaped(
    line: str, stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    places = {"file": starter, "log": hostile_log(tmp_path / "x.log"), "folder": tmp_path}
    done = stillgate(*(word.format(**places) for word in line.split()))
    assert clean(done.out), repr(done.out)
    assert clean(done.err), repr(done.err)
    assert "fault of the program" not in done.err
    assert done.status in (0, 1, 2, 4)
    if line.startswith("log"):
        assert done.status == 0
        assert "\\x1b[2J" in done.out
        for written in ("x.vcd", "x.csv"):
            if "--output" in line:
                assert clean((tmp_path / written).read_text(encoding="utf-8"))


def test_a_dump_is_not_ended_by_what_a_header_says(stillgate: Command, starter: Path, tmp_path: Path) -> None:
    """IEEE 1364-2005, 18.2: '$end' ends a section wherever it stands."""
    log = hostile_log(tmp_path / "x.log", machine="$end $scope module x $end")
    done = stillgate("log", starter, log, "--output", tmp_path / "x.vcd")
    text = (tmp_path / "x.vcd").read_text(encoding="ascii") if done.status == 0 else ""
    assert "$scope module x $end" not in text


@pytest.mark.parametrize(
    "line",
    [
        "check {file}",
        "check {file} --output {folder}/x.xml --output {folder}/x.sarif",
        "explain {file}",
        "run {file} --for 1s",
        "faults {file}",
        "layers {file}",
        "check {file}x",
        "report {file} --output {folder}/x.html",
        "draw {file} --output {folder}/drawn",
        "{file}",
        "log {file} {file}x",
    ],
)  # fmt: skip
def test_a_file_name_that_would_steer_the_terminal_is_shown_escaped(
    line: str, stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    named = starter.rename(tmp_path / f"p{BAD.replace(chr(0), '')}\udcff.yaml")
    done = stillgate(*(word.format(file=named, folder=tmp_path) for word in line.split()))
    assert clean(done.out), repr(done.out)
    assert clean(done.err), repr(done.err)
    assert "fault of the program" not in done.err
    for written in tmp_path.glob("x.*"):
        assert clean(written.read_text(encoding="utf-8").replace("\t", " ")), written
        if written.suffix == ".xml":
            ET.parse(written)


def test_whatever_is_printed_is_printed_visibly(capsys: pytest.CaptureFixture[str]) -> None:
    """The last line of defence: where text leaves the program, whoever made it."""
    from rich.table import Table

    write_line(BAD)
    console = output_console()
    console.print(BAD)
    table = Table(BAD)
    table.add_row(BAD)
    console.print(table)
    said = capsys.readouterr().out
    assert clean(said), repr(said)
    assert said.startswith(SHOWN + "\n" + SHOWN + "\n")


def test_visible_text_loses_nothing_and_keeps_what_can_be_read() -> None:
    assert visible("plain text, ü, 中") == "plain text, ü, 中"
    assert visible(BAD) == SHOWN
    assert visible("a\tb\n", "\n") == "a\\tb\n"
    assert one_line("a\tb\r\nc\N{NO-BREAK SPACE}d\u202e") == "a b  c d\\u202e"
    assert visible("\udcff") == "\\udcff"
