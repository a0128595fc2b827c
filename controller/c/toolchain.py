"""Finds a C compiler and builds shared libraries into the user's cache.

Order: ``$CC``, then clang or gcc on the path, then clang out of the ``ziglang`` wheel
(extra ``cc``), so that pip alone is enough on any desktop. A built library is kept under the
hash of everything that it is made of: sources, options, compiler, its surroundings and the kind
of computer. What is loaded is a copy of this process's own, made of content that was verified
(``kept_files``), so nobody comes between the verifying and the loading.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import platform
import shlex
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from threading import Lock

from ..effort import LOOK_EVERY, Effort, OutOfTime, apart
from ..errors import CompilerError, ToolMissing
from ..kept_files import cache_errors, cache_folder, find_kept, keep, kept_folder, work_folder

_SUFFIX = {"darwin": ".dylib", "win32": ".dll"}.get(sys.platform, ".so")
_LIBRARIES = "libraries"  # folder of the cache
_COMPILER = "compiler"  # the same
_ROOM_TRIED = 1 << 20  # bytes that must find room for a compiler's refusal to be the source's fault
_SURROUNDINGS = (
    "CCC_OVERRIDE_OPTIONS",
    "COMPILER_PATH",
    "CPATH",
    "C_INCLUDE_PATH",
    "GCC_EXEC_PREFIX",
    "LIBRARY_PATH",
    "MACOSX_DEPLOYMENT_TARGET",
    "SDKROOT",
)
"""Environment variables that change what gcc and clang make (GCC manual, 'Environment Variables
Affecting GCC'; clang's manual page, section 'Environment')."""

_SPARING = ("-rtlib=none", "-Wl,-z,defs") if sys.platform == "linux" else ()
"""Without the compiler's run-time library, whose building would be four fifths of a first check. It has what
no processor has instructions for, such as 128-bit division; the linker says if some of it is needed."""


@dataclass(frozen=True, slots=True)
class Compiler:
    """A C compiler: the command to call it and a text that changes when it does.

    Attributes:
        slow_first_call: it builds parts of its own at its first call, as that of the ziglang wheel does.
        sparing: options that leave out such parts as our sources hardly ever need. Where they are needed
            it fails with these, and is called without.
    """

    command: tuple[str, ...]
    identity: str
    slow_first_call: bool = False
    sparing: tuple[str, ...] = ()


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
        # Where little is optimised it adds checks of its own, which end the process; and take their time.
        command = (sys.executable, "-m", "ziglang", "cc", "-fno-sanitize=undefined")
        from importlib.metadata import version

        identity = f"{_surroundings()} ziglang {version('ziglang')} {command[-1]}"
        return Compiler(command, identity, slow_first_call=True, sparing=_SPARING)
    raise ToolMissing(
        "no C compiler found: set CC, install clang or gcc, or run  pip install 'stillgate[cc]'"
    )


def _identity(command: tuple[str, ...]) -> str:
    """Each word of the command, with size and time of the program or file that it names.

    Of every word, because the first may be a program that calls the compiler, as ``ccache gcc`` does.
    """
    words = [_surroundings()]
    for word in command:
        path = Path(shutil.which(word) or word).resolve()
        words.append(word)
        with suppress(OSError):
            status = path.stat()
            words.append(f"{path} {status.st_size} {status.st_mtime_ns}")
    return " ".join(words)


def _surroundings() -> str:
    """What else a compiled library depends on: the kind of computer, and the environment."""
    told = [f"{name}={os.environ[name]}" for name in _SURROUNDINGS if name in os.environ]
    return " ".join((sys.platform, platform.machine(), str(struct.calcsize("P")), *told))


def fit_cache() -> Path:
    """The cache folder, once it is known that libraries can be built there and loaded from it.

    Raises:
        ToolMissing: if it belongs to others, cannot be written, or forbids execution.
    """
    folder = cache_folder()
    with work_folder():
        pass
    if sys.platform != "win32" and os.statvfs(folder).f_flag & getattr(os, "ST_NOEXEC", 0):
        raise ToolMissing(
            f"the cache folder {folder} is on a file system that forbids execution (noexec); "
            "set STILLGATE_CACHE to a folder elsewhere"
        )
    return folder


def build_library(
    sources: dict[str, str],
    main: str,
    *,
    options: tuple[str, ...] = (),
    compiler: Compiler | None = None,
    on_slow_build: Callable[[], None] | None = None,
    effort: Effort | None = None,
) -> Path:
    """Path of this process's own copy of the library made from the sources, built unless it is kept.

    Ctrl-C ends the compiler at once and leaves nothing behind; so does the end of the effort.

    Args:
        sources: text of each file by name; ``main`` includes the others.
        main: name of the file handed to the compiler.
        options: compiler options besides those that make a shared library.
        on_slow_build: called before a compiler's slow very first call.
        effort: the deadline and the stop flag end the compiler.

    Raises:
        ToolMissing: if no compiler is found, or the cache cannot be written, is full or forbids execution.
        CompilerError: if the compiler refuses the sources: they are ours, so that is no bad use.
        OutOfTime: if the effort was over before the library was built.
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
    name = digest.hexdigest()[:40] + _SUFFIX
    content = find_kept(_LIBRARIES, name)
    if content is not None:
        return _own_copy(name, content)
    fit_cache()
    if found.slow_first_call and on_slow_build is not None:
        on_slow_build()
    given = effort or Effort()
    content = apart(lambda: _built(found, sources, main, options, given), lambda: None, given.stop.set)
    copy = _own_copy(name, content)
    keep(_LIBRARIES, name, content)
    return copy


def _built(
    compiler: Compiler, sources: dict[str, str], main: str, options: tuple[str, ...], effort: Effort
) -> bytes:
    """A library fresh from the compiler."""
    with work_folder() as work:
        with cache_errors(cache_folder()):
            for name, text in sources.items():
                (Path(work) / name).write_text(text, encoding="utf-8")
        target = Path(work) / ("built" + _SUFFIX)
        shared = ("-shared", "-fPIC") if sys.platform != "win32" else ("-shared",)
        command = [*compiler.command, *shared, *options, main, "-o", str(target.name), "-lpthread"]
        surroundings = _surroundings_of_a_call(compiler, work)
        status, said = _call([*command, *compiler.sparing], work, surroundings, effort)
        if status != 0 and compiler.sparing:
            status, said = _call(command, work, surroundings, effort)
        if status != 0 or not target.exists():
            with cache_errors(cache_folder()):  # a full disk is not the source's fault
                (Path(work) / "room").write_bytes(bytes(_ROOM_TRIED))
            raise CompilerError(
                f"the C compiler refused the generated source ({shlex.join(command)}):\n{said}"
            )
        return target.read_bytes()


@cache
def _own_folder(cache: Path, process: int) -> tempfile.TemporaryDirectory[str]:
    """Where this process has the libraries that it loads; removed when it ends."""
    return work_folder()


_COPYING = Lock()


def _own_copy(name: str, content: bytes) -> Path:
    """A library of this process's own, which can be loaded.

    One for all who ask, because a file that has been loaded must not change.
    """
    with _COPYING, cache_errors(cache_folder()):
        path = Path(_own_folder(cache_folder(), os.getpid()).name) / name
        if not path.exists():
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)  # old ones are removed
            part = path.with_suffix(".part")
            part.write_bytes(content)
            part.replace(path)
    import ctypes  # here, because a kept result is found without it

    try:
        ctypes.CDLL(str(path))
    except OSError as error:
        fit_cache()
        raise ToolMissing(
            f"the library that the C compiler made cannot be loaded ({error}); if the compiler is for "
            "another computer set CC, and if the cache folder forbids execution set STILLGATE_CACHE"
        ) from error
    return path


def _surroundings_of_a_call(compiler: Compiler, work: str) -> dict[str, str]:
    """The environment of a compiler: what it leaves behind goes with the work folder.

    But for what the wheel's compiler builds of its own, which is kept in our cache.
    """
    found = os.environ | dict.fromkeys(("TMPDIR", "TMP", "TEMP"), work)
    if compiler.slow_first_call:
        found["ZIG_LOCAL_CACHE_DIR"] = work
        found.setdefault("ZIG_GLOBAL_CACHE_DIR", str(kept_folder(_COMPILER)))
    return found


def _call(command: list[str], folder: str, surroundings: dict[str, str], effort: Effort) -> tuple[int, str]:
    """Exit status of a compiler, and what it said; it does not outlive an exception here."""
    # In a group of its own, because a compiler calls others, which are to end with it.
    with subprocess.Popen(
        command,
        cwd=folder,
        env=surroundings,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
        process_group=None if sys.platform == "win32" else 0,
    ) as process:
        try:
            while not effort.over:
                try:
                    said, _ = process.communicate(timeout=LOOK_EVERY)
                    return process.returncode, said
                except subprocess.TimeoutExpired:
                    continue
            raise OutOfTime
        except BaseException:
            _end(process)
            raise


def _end(process: subprocess.Popen[str]) -> None:
    if sys.platform == "win32":
        process.kill()
    else:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
