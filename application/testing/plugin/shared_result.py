"""One worker of a test run checks a file, the others wait for its result.

A lock of the operating system, so a worker that dies lets go of it. The result of this run is
kept beside the results of all runs, undecided ones too, and is removed a day later.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from hashlib import sha256
from pathlib import Path
from typing import IO

from stillgate.controller.errors import ToolMissing
from stillgate.controller.kept_files import cache_errors, find_kept, keep, kept_folder, remove_old
from stillgate.interlocks.checking.result_cache import read_result, result_bytes
from stillgate.interlocks.results.verdict import CheckResult

_FOLDER = "runs"
_KEPT_SECONDS = 24 * 3600


def computed_once(key: str, run: Callable[[], CheckResult]) -> CheckResult:
    """The result under a key, computed by whoever asks first.

    Args:
        key: names test run, file and its content.
        run: computes the result.

    Raises:
        ToolMissing: if the cache folder cannot be used.
    """
    name = sha256(key.encode()).hexdigest()[:40]
    folder = kept_folder(_FOLDER)
    with _locked(folder / f"{name}.lock"):
        content = find_kept(_FOLDER, f"{name}.json")
        kept = None if content is None else read_result(content)
        if kept is not None:
            return kept
        result = run()
        remove_old(folder, _KEPT_SECONDS)
        with suppress(ToolMissing):  # the other workers then compute it too
            keep(_FOLDER, f"{name}.json", result_bytes(result))
        return result


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    with cache_errors(path.parent):
        file = path.open("a+b")
    with file:
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
