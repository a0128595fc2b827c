"""Keeps files between runs, and gives back only what is, byte for byte, what was kept.

A kept file is one line, then the content. The line holds the SHA-256 of the file's own place
and of the content, so a file that was damaged, cut, left empty or put in another one's place
does not fit and counts as not there: whoever asks makes it anew. Line and content are one file
because two could not be replaced in one step.

A file is written whole beside the others, made durable, renamed over the old one, and the
rename made durable: of two processes that keep the same file one wins, and after a crash or a
power loss there is the old file, the new one or none.

Against whom: the digest finds *damage*, by a disk, a crash, a program gone wrong. Who may write
here could write a fitting digest too; against others stand owner and mode, which are looked at
for every folder and every file.
"""

from __future__ import annotations

import atexit
import hashlib
import os
import shutil
import stat
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path

from .errors import ToolMissing

FORMAT = b"stillgate kept file 1 "
"""First bytes of every kept file; the digest and the end of the line follow."""

_WORK = "work"  # what is being written, built or used: of no worth to another run
_LEFT_OVER_SECONDS = 7 * 24 * 3600


def cache_folder() -> Path:
    """The user's cache folder for Stillgate, made private if it is not there.

    Raises:
        ToolMissing: if it cannot be made, belongs to somebody else or can be written by others.
    """
    chosen = os.environ.get("STILLGATE_CACHE")
    if chosen:
        folder = Path(chosen).absolute()
    elif sys.platform == "win32":
        folder = Path(os.environ.get("LOCALAPPDATA", Path.home())) / "stillgate"
    elif sys.platform == "darwin":
        folder = Path.home() / "Library" / "Caches" / "stillgate"
    else:
        folder = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "stillgate"
    return _private(folder)


def kept_folder(name: str) -> Path:
    """A folder of the cache, for one kind of file.

    Raises:
        ToolMissing: as ``cache_folder``.
    """
    return _private(cache_folder() / name)


def _private(folder: Path) -> Path:
    with cache_errors(folder):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        status = folder.stat()
    if not _ours_alone(status):
        raise ToolMissing(
            f"the cache folder {folder} belongs to or can be written by others; "
            "set STILLGATE_CACHE to a folder of your own"
        )
    return folder


def _ours_alone(status: os.stat_result) -> bool:
    """Whether nobody but this user can write there."""
    if sys.platform == "win32":  # where modes say nothing; the folder is in the user's own
        return True
    return status.st_uid == os.getuid() and not status.st_mode & (stat.S_IWGRP | stat.S_IWOTH)


@contextmanager
def cache_errors(folder: Path) -> Iterator[None]:
    """Turns what the system says of a folder of the cache into what to do about it.

    Raises:
        ToolMissing: for an ``OSError`` within.
    """
    try:
        yield
    except OSError as error:
        raise ToolMissing(
            f"the cache folder {folder} cannot be used ({error.strerror or error}); "
            "set STILLGATE_CACHE to a folder that can be written and has room"
        ) from error


def find_kept(folder: str, name: str) -> bytes | None:
    """The content that was kept; None if there is none, or it is not whole, or not only ours.

    Args:
        folder: kind of file, a folder of the cache.
        name: of the file there.

    Raises:
        ToolMissing: as ``cache_folder``.
    """
    path = kept_folder(folder) / name
    try:
        if not path.is_file():  # a pipe would never end
            return None
        with path.open("rb") as stream:
            if not _ours_alone(os.fstat(stream.fileno())):
                return None
            first, _, content = stream.read().partition(b"\n")
    except OSError:
        return None
    return content if first == _first_line(folder, name, content) else None


def keep(folder: str, name: str, content: bytes) -> None:
    """Keeps a file for later runs; arguments as of ``find_kept``.

    Raises:
        ToolMissing: if the cache cannot be written, or is full.
    """
    target = kept_folder(folder) / name
    with cache_errors(target.parent):
        handle, part = tempfile.mkstemp(dir=kept_folder(_WORK))
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(_first_line(folder, name, content) + b"\n" + content)
                stream.flush()
                os.fsync(stream.fileno())
            Path(part).replace(target)
        except BaseException:
            Path(part).unlink(missing_ok=True)
            raise
        if sys.platform != "win32":  # which has no handle of a folder to do this with
            entry = os.open(target.parent, os.O_RDONLY)
            try:
                os.fsync(entry)
            finally:
                os.close(entry)


def _first_line(folder: str, name: str, content: bytes) -> bytes:
    digest = hashlib.sha256(f"{folder}/{name}\n".encode())
    digest.update(content)
    return FORMAT + digest.hexdigest().encode()


def work_folder() -> tempfile.TemporaryDirectory[str]:
    """A folder of this process alone, within the cache, that goes with it.

    Raises:
        ToolMissing: if the cache cannot be written, or is full.
    """
    folder = kept_folder(_WORK)
    remove_old(folder, _LEFT_OVER_SECONDS)
    own = f"{os.getpid()}."
    _remove_at_end(folder, own)
    with cache_errors(folder):
        return tempfile.TemporaryDirectory(dir=folder, prefix=own, ignore_cleanup_errors=True)


@cache
def _remove_at_end(folder: Path, own: str) -> None:
    """Ctrl-C may come when a folder is made and nobody has it yet."""

    def remove() -> None:
        for left in folder.glob(f"{own}*"):
            shutil.rmtree(left, ignore_errors=True)

    atexit.register(remove)


def remove_old(folder: Path, seconds: float) -> None:
    """Removes what nobody has written to for so long, such as what a killed process left behind."""
    oldest = time.time() - seconds
    with suppress(OSError):
        for path in folder.iterdir():
            with suppress(OSError):
                if path.stat().st_mtime >= oldest:
                    continue
                if path.is_dir():
                    shutil.rmtree(path, ignore_errors=True)
                else:
                    path.unlink()
