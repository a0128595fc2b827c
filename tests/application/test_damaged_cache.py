"""Whatever happens to the files kept between runs, a command says what it would say without them.

Each damaged file is met by a process of its own: a damaged library, believed, ends the process,
goes on for ever or says something false.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from random import Random
from typing import Any

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="folders here have owners and modes")

PUMP = """
machine: pump
scan: 100 ms
inputs:
  start: {from: operator}
  full: {}
outputs:
  pump: {}
sequences:
  s:
    start: idle
    states:
      idle: {exits: [{when: start and not full, to: filling}]}
      filling: {on: [pump], exits: [{when: full, to: idle}]}
requirements:
  never_runs: {never: pump}
  off_when_full: {never: full and pump}
check: {faults: 0}
"""

OTHER = PUMP.replace("when: full, to: idle", "after: 200 ms, to: idle")
VERDICTS = {"never_runs": "broken", "off_when_full": "holds"}


class Desk:
    """A folder with a machine file, a cache and the command line."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.cache = folder / "cache"
        self.file = folder / "pump.yaml"
        self.file.write_text(PUMP)

    def run(self, *arguments: str, cache: Path | None = None, **how: Any) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-P", "-m", "stillgate", *arguments],
            env=os.environ | {"STILLGATE_CACHE": str(cache or self.cache)},
            cwd=self.folder, capture_output=True, text=True, timeout=100, check=False, **how,
        )  # fmt: skip

    def check(self, *options: str) -> dict[str, str]:
        """The verdicts; a crash, a hang and a traceback fail here."""
        done = self.run("check", "pump.yaml", "--format", "json", *options)
        assert done.returncode == 1, (done.returncode, done.stderr)
        assert done.stderr == ""
        return {item["name"]: item["verdict"] for item in json.loads(done.stdout)["requirements"]}

    def kept(self, kind: str) -> Path:
        """The one file of a kind."""
        (file,) = (self.cache / kind).iterdir()
        return file


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    found = Desk(tmp_path_factory.mktemp("desk"))
    assert found.check() == VERDICTS
    return found


OPTIONS = {"libraries": ("--no-cache",), "results": ()}
"""Options with which a check takes a kind of kept file."""


def assert_told_and_made_anew(desk: Desk, kind: str, whole: bytes, damaged: bytes) -> None:
    file = desk.kept(kind)
    file.write_bytes(damaged)
    assert desk.check(*OPTIONS[kind]) == VERDICTS
    assert file.read_bytes() != damaged
    file.write_bytes(whole)
    assert list((desk.cache / "work").iterdir()) == []


@pytest.mark.parametrize("kind", OPTIONS)
@pytest.mark.parametrize("flips", [2, pytest.param(60, marks=pytest.mark.night)])
def test_a_flipped_bit_changes_no_verdict(desk: Desk, kind: str, flips: int) -> None:
    whole = desk.kept(kind).read_bytes()
    random = Random(flips)
    for at in (random.randrange(8 * len(whole)) for _ in range(flips)):
        damaged = bytearray(whole)
        damaged[at // 8] ^= 1 << at % 8
        assert_told_and_made_anew(desk, kind, whole, bytes(damaged))


@pytest.mark.parametrize("kind", OPTIONS)
@pytest.mark.parametrize("left", [0.0, 0.5])
def test_a_file_that_is_empty_or_cut_changes_no_verdict(desk: Desk, kind: str, left: float) -> None:
    whole = desk.kept(kind).read_bytes()
    assert_told_and_made_anew(desk, kind, whole, whole[: int(left * len(whole))])


@pytest.mark.parametrize("kind", OPTIONS)
def test_the_file_of_another_machine_changes_no_verdict(desk: Desk, kind: str, tmp_path: Path) -> None:
    other = Desk(tmp_path)
    other.file.write_text(OTHER)
    assert other.run("check", "pump.yaml").returncode == 1
    whole, others = desk.kept(kind).read_bytes(), other.kept(kind).read_bytes()
    assert whole != others
    assert_told_and_made_anew(desk, kind, whole, others)


def test_an_edited_result_changes_no_verdict(desk: Desk) -> None:
    whole = desk.kept("results").read_bytes()
    assert b'"broken"' in whole
    assert_told_and_made_anew(desk, "results", whole, whole.replace(b'"broken"', b'"holds"'))


def test_what_is_whole_is_used_again(desk: Desk) -> None:
    """Or nothing above would show anything."""
    for kind, options in OPTIONS.items():
        before = desk.kept(kind).stat()
        assert desk.check(*options) == VERDICTS
        assert desk.kept(kind).stat().st_ino == before.st_ino


@pytest.mark.parametrize(
    ("command", "place"),
    [
        *(("check", place) for place in ("libraries", "work", ".")),
        *((command, "libraries") for command in ("soak", "fault-table", "strength")),
    ],
)
def test_a_folder_that_others_can_write_to_is_one_sentence(tmp_path: Path, command: str, place: str) -> None:
    new = Desk(tmp_path)
    for folder in (".", "libraries", "work"):
        (new.cache / folder).mkdir(mode=0o700, exist_ok=True, parents=True)
    (new.cache / place).chmod(0o777)
    done = new.run(command, "pump.yaml")
    assert done.returncode == 2, done.stderr
    assert done.stderr.count("\n") == 1, done.stderr
    assert "set STILLGATE_CACHE to a folder of your own" in done.stderr


def unshared(script: str, desk: Desk) -> subprocess.CompletedProcess[str]:
    """A command line in a mount namespace of its own, for a file system in the cache's place."""
    if shutil.which("unshare") is None:
        pytest.skip("there is no unshare")
    tried = subprocess.run(["unshare", "-rm", "true"], capture_output=True, check=False)
    if tried.returncode != 0:
        pytest.skip("namespaces are not allowed here")
    return subprocess.run(
        ["unshare", "-rm", "sh", "-c", script.format(python=sys.executable, cache=desk.cache)],
        env=os.environ | {"STILLGATE_CACHE": str(desk.cache)},
        cwd=desk.folder, capture_output=True, text=True, timeout=100, check=False,
    )  # fmt: skip


MOUNT = "mount -t tmpfs -o mode=700,{options} none {{cache}} || exit 77\n"
CHECK = "exec {python} -P -m stillgate check pump.yaml"


@pytest.mark.parametrize(
    ("options", "before", "said"),
    [
        ("noexec", "", "is on a file system that forbids execution (noexec); set STILLGATE_CACHE"),
        ("ro", "", "cannot be used (Read-only file system); set STILLGATE_CACHE"),
        ("size=16k", "", "cannot be used (No space left on device); set STILLGATE_CACHE"),
        ("size=150k", "", "cannot be used (No space left on device); set STILLGATE_CACHE"),
        ("size=1m", "head -c 1000k /dev/zero > {cache}/filler\n", "(No space left on device); set STILL"),
    ],
)
def test_a_cache_that_is_full_or_forbids_something_is_named_with_the_remedy(
    tmp_path: Path, options: str, before: str, said: str
) -> None:
    """With real file systems, as far as this computer lets a test mount them."""
    new = Desk(tmp_path)
    new.cache.mkdir(mode=0o700)
    done = unshared(MOUNT.format(options=options) + before + CHECK, new)
    if done.returncode == 77:
        pytest.skip(f"no file system can be mounted here: {done.stderr}")
    assert done.returncode == 2, done.stderr
    assert said in done.stderr
    assert str(new.cache) in done.stderr
    assert done.stderr.count("\n") == 1, done.stderr
