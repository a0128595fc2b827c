"""What several commands share: files of ``--output`` by their endings."""

from __future__ import annotations

from pathlib import Path

import pytest

from stillgate.cli import COMMANDS, build_app
from stillgate.commands.options import files_by_ending
from stillgate.controller.errors import UsageError

KINDS = {".scans.csv": "every scan", ".csv": "every change", ".svg": "a chart"}


def test_an_ending_says_what_a_file_is_to_hold_and_the_longest_counts() -> None:
    paths = [Path("a.scans.csv"), Path("b.CSV"), Path("c.svg")]
    assert files_by_ending(paths, KINDS) == dict(zip(KINDS.values(), paths, strict=True))
    assert files_by_ending(None, KINDS) == {}


@pytest.mark.parametrize(
    ("names", "message"),
    [
        (["a.txt"], "--output: 'a.txt' ends in none of .scans.csv, .csv, .svg, which say what to write"),
        (["a.svg", "b.svg"], "--output: 'a.svg' and 'b.svg' would hold the same, a chart; give one"),
    ],
)
def test_what_cannot_be_meant_is_refused(names: list[str], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        files_by_ending([Path(name) for name in names], KINDS)


def test_every_command_that_writes_files_calls_the_option_the_same() -> None:
    """There were seven names for it."""
    others = {"--csv", "--trace", "--record", "--chart", "--save", "--pdf", "--sarif", "--junit"}
    app = build_app()
    for command in COMMANDS:
        for argument in app[command].assemble_argument_collection(parse_docstring=True):
            assert not others.intersection(argument.names), command
