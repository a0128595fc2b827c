"""One worker of a test run checks a file, the others wait for its result.

A lock of the operating system, so a worker that dies lets go of it. The result of this run is
kept beside the results of all runs, undecided ones too, and is removed a day later.
"""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from typing import IO

from pydantic import TypeAdapter, ValidationError

from stillgate.controller.toolchain import cache_folder
from stillgate.interlocks.verdict import CheckResult

_RESULTS = TypeAdapter(CheckResult)
_KEPT_SECONDS = 24 * 3600


def shared_result(key: str, run: Callable[[], CheckResult]) -> CheckResult:
    """The result under a key, computed by whoever asks first.

    Args:
        key: names test run and file.
        run: computes the result.
    """
    folder = cache_folder() / "runs"
    folder.mkdir(mode=0o700, exist_ok=True)
    path = folder / f"{sha256(key.encode()).hexdigest()[:40]}.json"
    with _locked(path.with_suffix(".lock")):
        try:
            return _RESULTS.validate_json(path.read_bytes())
        except (OSError, ValidationError):
            pass
        result = run()
        _remove_old(folder)
        partial = path.with_suffix(".partial")
        partial.write_bytes(_RESULTS.dump_json(result))
        partial.replace(path)
        return result


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    with path.open("a+b") as file:
        _lock(file)
        try:
            yield
        finally:
            _unlock(file)


if sys.platform == "win32":
    import msvcrt

    def _lock(file: IO[bytes]) -> None:
        while True:
            file.seek(0)
            try:
                msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)
            except OSError:  # gives up after ten seconds; a check may take longer
                continue
            return

    def _unlock(file: IO[bytes]) -> None:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _lock(file: IO[bytes]) -> None:
        fcntl.flock(file, fcntl.LOCK_EX)

    def _unlock(file: IO[bytes]) -> None:
        fcntl.flock(file, fcntl.LOCK_UN)


def _remove_old(folder: Path) -> None:
    oldest = time.time() - _KEPT_SECONDS
    for path in folder.iterdir():
        with contextlib.suppress(OSError):
            if path.stat().st_mtime < oldest:
                path.unlink()
