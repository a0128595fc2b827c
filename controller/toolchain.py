"""Finds a C compiler and builds shared libraries into the user's cache.

Order: ``$CC``, then clang or gcc on the path, then clang out of the ``ziglang`` wheel
(extra ``cc``), so that pip alone is enough on any desktop. A built library is named by the
hash of its sources, the compiler and the options; it is only ever loaded from a folder
that nobody else can write to.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shlex
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import CancelledError
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Event

from .errors import CompilerError, ToolMissing

_LOOK_EVERY = 0.05  # seconds between two looks whether a build is still wanted
_SUFFIX = {"darwin": ".dylib", "win32": ".dll"}.get(sys.platform, ".so")


@dataclass(frozen=True, slots=True)
class Compiler:
    """A C compiler: the command to call it and a text that changes when it does."""

    command: tuple[str, ...]
    identity: str
    slow_first_call: bool = False  # the ziglang wheel builds its own parts at its first call


def find_compiler() -> Compiler:
    """The compiler to use.

    Raises:
        ToolMissing: if there is none, saying how to get one.
    """
    chosen = os.environ.get("CC")
    if chosen:
        command = tuple(shlex.split(chosen))
        if not command or shutil.which(command[0]) is None:
            raise ToolMissing(f"CC is set to {chosen!r}, which cannot be run; unset it or name a C compiler")
        return Compiler(command, _identity(command))
    for name in ("clang", "gcc"):
        path = shutil.which(name)
        if path is not None:
            return Compiler((path,), _identity((path,)))
    if importlib.util.find_spec("ziglang") is not None:
        command = (sys.executable, "-m", "ziglang", "cc")
        from importlib.metadata import version

        return Compiler(command, f"ziglang {version('ziglang')}", slow_first_call=True)
    raise ToolMissing(
        "no C compiler found: set CC, install clang or gcc, or run  pip install 'stillgate[cc]'"
    )


def _identity(command: tuple[str, ...]) -> str:
    path = Path(shutil.which(command[0]) or command[0]).resolve()
    status = path.stat()
    return f"{path} {status.st_size} {status.st_mtime_ns} {' '.join(command[1:])}"


def cache_folder() -> Path:
    """The user's cache folder for Stillgate, made private if it is not there.

    Raises:
        ToolMissing: if the folder belongs to or can be written by somebody else.
    """
    chosen = os.environ.get("STILLGATE_CACHE")
    if chosen:
        folder = Path(chosen)
    elif sys.platform == "win32":
        folder = Path(os.environ.get("LOCALAPPDATA", Path.home())) / "stillgate"
    elif sys.platform == "darwin":
        folder = Path.home() / "Library" / "Caches" / "stillgate"
    else:
        folder = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "stillgate"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise ToolMissing(
            f"the cache folder {folder} cannot be made ({error.strerror}); set STILLGATE_CACHE to another one"
        ) from error
    if sys.platform != "win32":
        status = folder.stat()
        if status.st_uid != os.getuid() or status.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
            raise ToolMissing(
                f"the cache folder {folder} can be written by others; "
                "set STILLGATE_CACHE to a folder of your own"
            )
    return folder


def build_library(
    sources: dict[str, str],
    main: str,
    *,
    options: tuple[str, ...] = (),
    compiler: Compiler | None = None,
    on_slow_build: Callable[[], None] | None = None,
    stop: Event | None = None,
) -> Path:
    """Path of the shared library made from the sources, built unless it is in the cache.

    Ctrl-C ends the compiler at once and leaves nothing behind; so does ``stop``, for who
    builds in a thread, which Ctrl-C does not reach.

    Args:
        sources: text of each file by name; ``main`` includes the others.
        main: name of the file handed to the compiler.
        options: compiler options besides those that make a shared library.
        on_slow_build: called before a compiler's slow very first call.
        stop: once set, the library is not wanted any more.

    Raises:
        ToolMissing: if no compiler is found.
        CompilerError: if the compiler refuses the sources: they are ours, so that is no bad use.
        CancelledError: if ``stop`` was set before the library was built.
    """
    found = compiler or find_compiler()
    digest = hashlib.sha256()
    for text in (
        found.identity,
        *options,
        main,
        *(part for item in sorted(sources.items()) for part in item),
    ):
        digest.update(text.encode() + b"\0")
    folder = cache_folder() / "libraries"
    folder.mkdir(mode=0o700, exist_ok=True)
    library = folder / (digest.hexdigest()[:40] + _SUFFIX)
    if library.exists():
        return library
    if found.slow_first_call and on_slow_build is not None:
        on_slow_build()
    with tempfile.TemporaryDirectory(dir=folder) as work:
        for name, text in sources.items():
            (Path(work) / name).write_text(text, encoding="utf-8")
        target = Path(work) / ("built" + _SUFFIX)
        shared = ("-shared", "-fPIC") if sys.platform != "win32" else ("-shared",)
        command = [*found.command, *shared, *options, main, "-o", str(target.name), "-lpthread"]
        status, said = _call(command, work, stop)
        if status != 0 or not target.exists():
            raise CompilerError(
                f"the C compiler refused the generated source ({shlex.join(command)}):\n{said}"
            )
        target.replace(library)  # atomic: two processes may build at once
    return library


def _call(command: list[str], folder: str, stop: Event | None) -> tuple[int, str]:
    """Exit status of a compiler, and what it said; it does not outlive an exception here."""
    # In a group of its own, because a compiler calls others, which are to end with it.
    with subprocess.Popen(
        command,
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
        process_group=None if sys.platform == "win32" else 0,
    ) as process:
        try:
            while stop is None or not stop.is_set():
                try:
                    said, _ = process.communicate(timeout=_LOOK_EVERY)
                    return process.returncode, said
                except subprocess.TimeoutExpired:
                    continue
            raise CancelledError("the library is not wanted any more")
        except BaseException:
            _end(process)
            raise


def _end(process: subprocess.Popen[str]) -> None:
    if sys.platform == "win32":
        process.kill()
    else:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
