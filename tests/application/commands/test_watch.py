"""watch: one process, saves of every kind, what it prints and how it ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillgate.commands.new import starter_text
from stillgate.files.wait_for_save import whole_content
from stillgate.interlocks.checking.result_cache import kept_result

from ..conftest import Command

PATIENCE = 60.0
STARTER = starter_text("press")
FORGOTTEN = STARTER.replace("unless: guard_shut", "unless: true").replace(" or not guard_shut, to", ", to")


class Watch:
    """A running ``stillgate watch``."""

    def __init__(self, path: Path, *options: str) -> None:
        self.path = path
        environment = {**os.environ, "COLUMNS": "100", "PYTHONUNBUFFERED": "1"}
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-m", "stillgate", "watch", path.name, *options],
            cwd=path.parent,
            env=environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self.said = ""
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said += line

    def until(self, text: str) -> str:
        """What was said up to a text, which must come; the rest is kept."""
        end = time.monotonic() + PATIENCE
        while text not in self.said:
            assert time.monotonic() < end, f"no '{text}' in:\n{self.said}"
            assert self.process.poll() is None, self.said
            time.sleep(0.02)
        before, _, self.said = self.said.partition(text)
        return before

    def interrupt(self) -> int:
        """Ctrl-C; the exit status."""
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(PATIENCE)


@pytest.fixture
def watch(starter: Path) -> Iterator[Watch]:
    found = Watch(starter, "--faults", "0")
    yield found
    found.process.kill()
    found.process.wait()


def test_saves_of_every_kind_are_answered_with_what_changed(watch: Watch) -> None:
    """One process for all, since each start costs seconds."""
    path = watch.path
    watch.until("may be built and used")
    watch.until("HOLDS  press: all 4 requirements, without faults")  # the answer again, last

    beside = path.with_suffix(".tmp")  # as most editors save: beside, then renamed
    beside.write_text(FORGOTTEN, encoding="utf-8")
    beside.replace(path)
    said = watch.until("1 broken, 3 hold, under")
    assert "guard_stops_motor: broken after 180 ms" in said
    assert "before: holds" in said
    assert "surroundings: guard_shut opens (actuated)" in said
    assert "fresh_start" not in said, "only what changed is said"

    path.write_text("machine: [", encoding="utf-8")
    watch.until("the file cannot be used; waiting for the next save")
    watch.until("press.yaml:1:")

    path.unlink()
    watch.until("the file is gone")

    with path.open("w", encoding="utf-8") as file:  # in two halves
        file.write(STARTER[:700])
        file.flush()
        time.sleep(0.1)
        file.write(STARTER[700:])
    said = watch.until("4 hold, under")
    assert "cannot be used" not in said
    assert "before: broken after 180 ms" in said

    assert watch.interrupt() == 130
    watch._reader.join(PATIENCE)
    assert "Traceback" not in watch.said
    assert watch.said.endswith("stillgate: interrupted\n")


@pytest.fixture
def nothing_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A cache of the test's own: what other tests found out would be answered at once."""
    folder = tmp_path / "cache"
    folder.mkdir(mode=0o700)
    monkeypatch.setenv("STILLGATE_CACHE", str(folder))


@pytest.mark.usefixtures("nothing_kept")
def test_how_it_stands_without_faults_is_said_before_a_fault_is_looked_at(starter: Path) -> None:
    watch = Watch(starter, "--faults", "1")
    try:
        before = watch.until("without faults 4 hold, under")
        assert "requirements checked" not in before
        watch.until("one fault is looked at now")
        watch.until("up to one fault")
        watch.until("Local codes")
        starter.write_text(FORGOTTEN, encoding="utf-8")
        watch.until("saved; without faults 1 broken, 3 hold, under")
        watch.until("broken: guard_stops_motor; one fault is looked at now")
        watch.until("with one fault\n")
        said = watch.until("1 broken, 3 hold, under")
        assert "surroundings: guard_shut opens (actuated)" in said
        assert watch.interrupt() == 130
    finally:
        watch.process.kill()
        watch.process.wait()


@pytest.mark.usefixtures("nothing_kept")
def test_what_a_watch_found_out_is_kept_for_the_same_file_asked_the_same_way(starter: Path) -> None:
    """By the file's own fault budget: taking a change back is answered at once, and so is a check."""
    first = starter.read_text(encoding="utf-8")
    watch = Watch(starter)
    try:
        watch.until("one fault is looked at now")
        watch.until("Local codes")
        assert kept_result(first.encode(), starter) is not None
        starter.write_text(first + "# changed\n", encoding="utf-8")
        watch.until("saved; without faults")
        watch.until("with one fault\n")
        starter.write_text(first, encoding="utf-8")
        assert "without faults" not in watch.until(": saved\n")
    finally:
        watch.process.kill()
        watch.process.wait()


def test_a_file_that_is_not_there_is_bad_use(stillgate: Command, tmp_path: Path) -> None:
    outcome = stillgate("watch", tmp_path / "none.yaml")
    assert outcome.status == 2
    assert "there is no such file" in outcome.err


def test_without_its_library_it_says_how_to_get_it(
    stillgate: Command, starter: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "watchfiles", None)
    outcome = stillgate("watch", starter)
    assert outcome.status == 2
    assert "pip install 'stillgate[watch]'" in outcome.err


@settings(max_examples=5, deadline=None)
@given(pieces=st.lists(st.binary(min_size=1, max_size=20), min_size=1, max_size=4))
def test_a_file_written_in_pieces_is_read_whole(
    tmp_path_factory: pytest.TempPathFactory, pieces: list[bytes]
) -> None:
    path = tmp_path_factory.mktemp("pieces") / "file"
    path.write_bytes(b"")

    def write() -> None:
        with path.open("ab") as file:
            for piece in pieces:
                time.sleep(0.02)
                file.write(piece)
                file.flush()

    writer = threading.Thread(target=write)
    writer.start()
    assert whole_content(path) == b"".join(pieces)
    writer.join()
