"""What is given back is what was kept, byte for byte, or nothing; and only this user can have written it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from random import Random

import pytest

from stillgate.controller.errors import ToolMissing
from stillgate.controller.kept_files import cache_folder, find_kept, keep, kept_folder, work_folder

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="folders here have owners and modes")

CONTENT = bytes(range(256)) * 8


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A cache folder of the test's own, which is not there yet."""
    folder = tmp_path / "cache"
    monkeypatch.setenv("STILLGATE_CACHE", str(folder))
    return folder


def test_a_kept_file_comes_back_the_same(cache: Path) -> None:
    for content in (CONTENT, b"", b"\n", b"a\n\nb"):
        keep("kind", "name", content)
        assert find_kept("kind", "name") == content
    assert find_kept("kind", "other") is None
    assert list((cache / "work").iterdir()) == []


@pytest.mark.parametrize("flips", [100, pytest.param(10_000, marks=pytest.mark.night)])
def test_one_flipped_bit_and_a_kept_file_counts_as_none(cache: Path, flips: int) -> None:
    keep("kind", "name", CONTENT)
    file = cache / "kind" / "name"
    whole = file.read_bytes()
    random = Random(flips)
    for at in (random.randrange(8 * len(whole)) for _ in range(flips)):
        damaged = bytearray(whole)
        damaged[at // 8] ^= 1 << at % 8
        file.write_bytes(damaged)
        assert find_kept("kind", "name") is None, at


def test_a_kept_file_that_was_cut_or_made_longer_counts_as_none(cache: Path) -> None:
    keep("kind", "name", CONTENT)
    file = cache / "kind" / "name"
    whole = file.read_bytes()
    for damaged in (*(whole[:length] for length in range(0, len(whole), 101)), whole + b"\0", b"\n" + whole):
        file.write_bytes(damaged)
        assert find_kept("kind", "name") is None


def test_another_file_in_its_place_counts_as_none(cache: Path) -> None:
    """Of the same kind under another name, and of another kind under the same one."""
    keep("kind", "name", CONTENT)
    keep("kind", "other", b"other")
    keep("sort", "name", b"other")
    for place in ("kind/other", "sort/name"):
        (cache / "kind" / "name").write_bytes((cache / place).read_bytes())
        assert find_kept("kind", "name") is None


def test_a_pipe_in_its_place_counts_as_none(cache: Path) -> None:
    """To read it would never end."""
    os.mkfifo(kept_folder("kind") / "name")
    assert find_kept("kind", "name") is None


@pytest.mark.parametrize("place", [".", "kind", "work"])
@pytest.mark.parametrize("mode", [0o720, 0o702, 0o777])
def test_a_folder_that_others_can_write_to_is_refused(cache: Path, place: str, mode: int) -> None:
    keep("kind", "name", CONTENT)
    (cache / place).chmod(mode)
    with pytest.raises(ToolMissing, match=r"can be written by others; set STILLGATE_CACHE"):
        keep("kind", "name", CONTENT)
    if place != "work":
        with pytest.raises(ToolMissing, match="can be written by others"):
            find_kept("kind", "name")


@pytest.mark.skipif(sys.platform == "win32" or os.getuid() != 0, reason="only root gives files away")
@pytest.mark.parametrize("place", [".", "kind"])
def test_a_folder_of_somebody_else_is_refused(cache: Path, place: str) -> None:
    keep("kind", "name", CONTENT)
    os.chown(cache / place, 12345, 12345)
    with pytest.raises(ToolMissing, match="belongs to or can be written by others"):
        find_kept("kind", "name")


def test_a_file_that_others_can_write_to_counts_as_none(cache: Path) -> None:
    keep("kind", "name", CONTENT)
    file = cache / "kind" / "name"
    assert file.stat().st_mode & 0o777 == 0o600
    file.chmod(0o622)
    assert find_kept("kind", "name") is None


def test_a_cache_folder_that_is_a_file_is_told(cache: Path) -> None:
    cache.write_text("")
    with pytest.raises(ToolMissing, match=r"cannot be used \(File exists\); set STILLGATE_CACHE"):
        cache_folder()


def test_a_file_is_durable_before_it_has_its_name_and_the_name_after(
    cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[str] = []
    sync, rename = os.fsync, Path.replace

    def fsync(handle: int) -> None:
        done.append("folder" if Path(f"/proc/self/fd/{handle}").is_dir() else "file")
        sync(handle)

    def replace(part: Path, target: Path) -> Path:
        done.append("rename")
        return rename(part, target)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(Path, "replace", replace)
    keep("kind", "name", CONTENT)
    if Path("/proc/self/fd").exists():
        assert done == ["file", "rename", "folder"]


@pytest.mark.parametrize("number", [28, 30])
def test_a_full_or_read_only_cache_is_told_with_the_remedy_and_keeps_the_old_file(
    cache: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    keep("kind", "name", CONTENT)

    def refuse(_: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(ToolMissing, match=rf"\({os.strerror(number)}\); set STILLGATE_CACHE to a folder"):
        keep("kind", "name", b"new")
    assert find_kept("kind", "name") == CONTENT
    assert list((cache / "work").iterdir()) == []


def test_what_a_killed_process_left_is_removed_a_week_later(cache: Path) -> None:
    for name in ("part", "folder/part"):
        left = kept_folder("work") / name
        left.parent.mkdir(exist_ok=True)
        left.write_text("")
    with work_folder():
        assert len(list((cache / "work").iterdir())) == 3
    eight_days_ago = time.time() - 8 * 24 * 3600
    for path in (cache / "work").iterdir():
        os.utime(path, (eight_days_ago, eight_days_ago))
    with work_folder():
        assert len(list((cache / "work").iterdir())) == 1


KEEPER = """
import sys
from stillgate.controller.kept_files import keep
print("began", flush=True)
while True:
    keep("kind", "name", sys.argv[1].encode() * 100_000)
"""


@pytest.mark.parametrize("kills", [3, pytest.param(100, marks=pytest.mark.night)])
def test_of_writers_at_once_that_are_killed_at_any_moment_one_has_written_it_whole(kills: int) -> None:
    random = Random(kills)
    for _ in range(kills):
        writers = [_keeper(letter) for letter in "ab"]
        until = time.monotonic() + random.uniform(0, 0.2)
        while time.monotonic() < until:
            _assert_whole(find_kept("kind", "name"))
        for writer in writers:
            writer.send_signal(signal.SIGKILL)
            writer.communicate()
        _assert_whole(find_kept("kind", "name"))


def _keeper(letter: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-P", "-c", KEEPER, letter]
    writer = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert writer.stdout is not None
    assert writer.stdout.readline() == "began\n"
    return writer


def _assert_whole(content: bytes | None) -> None:
    assert content in (None, b"a" * 100_000, b"b" * 100_000)
