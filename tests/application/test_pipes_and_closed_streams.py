"""What a shell can hand to a command: pipes in the place of files, streams that are closed."""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import FrameType

import pytest

from .conftest import Command

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pipes and streams as POSIX has them")

PROGRAM = [sys.executable, "-P", "-m", "stillgate"]
WAITED = "waited for a pipe"


@pytest.fixture
def impatient() -> Iterator[None]:
    """Ends a test that waits for what a pipe will never say."""

    def end(number: int, frame: FrameType | None) -> None:
        raise TimeoutError(WAITED)

    before = signal.signal(signal.SIGALRM, end)
    signal.alarm(60)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.mark.parametrize(
    "line",
    [
        "check {pipe}",
        "explain {pipe}",
        "run {pipe}",
        "run {file} --for 1s --script {pipe}",
        "run {file} --scenario {pipe}",
        "compare {file} {pipe}",
        "recheck {pipe} {file}",
        "log {file} {pipe}",
        "log {file} {file} --map {pipe}",
        "replay {file} {pipe}",
        "log {file} {can} --dbc {pipe}",
    ],
)
def test_a_pipe_in_the_place_of_a_file_is_refused_and_not_waited_for(
    line: str, stillgate: Command, starter: Path, tmp_path: Path, impatient: None
) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "frames.log").write_text("(0.0) can0 100#00\n")
    places = {"pipe": tmp_path / "pipe", "file": starter, "can": tmp_path / "frames.log"}
    done = stillgate(*(word.format(**places) for word in line.split()))
    assert done.status == 2
    assert WAITED not in done.err
    assert f"{tmp_path / 'pipe'}: " in done.err
    assert "regular file" in done.err or "plain file" in done.err


@pytest.mark.parametrize("closed", [">&-", "2>&-", ">&- 2>&-"])
@pytest.mark.parametrize(
    ("arguments", "status"), [("--version", 0), ("check {file}", 0), ("check none.yaml", 2)]
)
def test_what_cannot_be_printed_is_told_by_the_status_and_a_lost_message_harms_nothing(
    arguments: str, status: int, closed: str, starter: Path
) -> None:
    """A verdict that nobody could read was not given."""
    line = f"{shlex.join(PROGRAM)} {arguments.format(file=shlex.quote(str(starter)))}"
    done = subprocess.run(["sh", "-c", f"{line} {closed}"], capture_output=True, text=True, check=False)
    lost = closed.startswith(">") and status == 0
    assert done.returncode == (2 if lost else status)
    assert "Traceback" not in done.stderr
    assert "fault of the program" not in done.stderr
    if lost and "2>" not in closed:
        assert done.stderr == "stillgate: the output cannot be written: standard output is closed\n"


def test_no_file_gets_the_number_of_a_stream_that_is_closed() -> None:
    """POSIX.1-2017, open(): the lowest number that is free; what another program prints would go there."""
    code = "import os; from stillgate.cli import _replace_closed_streams as r; r(); print(os.open('.', 0))"
    line = shlex.join([sys.executable, "-P", "-c", code.replace("print", "raise SystemExit")])
    done = subprocess.run(["sh", "-c", f"{line} <&- >&- 2>&-"], check=False)
    assert done.returncode > 2


@pytest.mark.parametrize("size", ["0", "0 GB", "0.2"])
def test_no_memory_at_all_is_refused_and_not_taken_for_the_default(
    size: str, stillgate: Command, starter: Path
) -> None:
    done = stillgate("check", starter, "--max-memory", size)
    assert done.status == 2
    assert done.err == (
        f"stillgate: --max-memory: '{size}' is no memory at all; write a size like 2GiB or 500MB\n"
    )
