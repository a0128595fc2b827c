"""The compiler that tests build with where they build much and search little.

Most of their time would be the compiler's. clang without optimisation takes half the time that gcc
takes, and the wheel's clang is wherever the tests are installed. Whoever sets ``CC`` gets that one.

``zig cc``, the wheel's own way to call its clang, looks for changed files and links by itself; clang called
alone, with the linker and the headers that Linux has, takes a fifth less. Where that builds nothing that can
be loaded it is ``zig cc``.
"""

from __future__ import annotations

import ctypes
import importlib.util
import os
import shlex
import subprocess
import sys
import tempfile
from contextlib import suppress
from functools import cache
from pathlib import Path

import pytest

from stillgate.controller.c.toolchain import Compiler, find_compiler


def quick_command() -> tuple[str, ...] | None:
    """The wheel's clang, called without the Python around it; None if it is not there."""
    found = importlib.util.find_spec("ziglang")
    if found is None or found.origin is None:
        return None
    program = Path(found.origin).parent / ("zig.exe" if sys.platform == "win32" else "zig")
    if not program.exists():
        return None
    # What a library of ours asks of others is in the process that loads it.
    alone = (str(program), "clang", "-isystem", str(program.parent / "lib" / "include"), "-nostdlib")
    if sys.platform == "linux" and _builds(alone):
        return alone
    # Told to leave out what it adds of itself where nothing is optimised: checks, and what a debugger reads.
    return (str(program), "cc", "-fno-sanitize=undefined", "-fno-stack-protector", "-g0")


@cache
def _builds(command: tuple[str, ...]) -> bool:
    """Whether a compiler makes a library that can be loaded, of what ours are made of."""
    includes = "".join(f"#include <{name}.h>\n" for name in ("pthread", "stdatomic", "stdlib", "sys/mman"))
    source = f"{includes}void *ends(void) {{ return (void *)pthread_join; }}\n"
    with tempfile.TemporaryDirectory() as folder, suppress(OSError, subprocess.SubprocessError):
        Path(folder, "a.c").write_text(source, encoding="utf-8")
        options = ("-shared", "-fPIC", "-std=gnu11", "a.c", "-o", "a.so", "-lpthread")
        subprocess.run((*command, *options), cwd=folder, check=True, capture_output=True)
        return bool(ctypes.CDLL(str(Path(folder, "a.so"))).ends)
    return False


@cache
def _compiler(chosen: str | None) -> Compiler:
    command = None if chosen else quick_command()
    if command is None:
        return find_compiler()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CC", shlex.join(command))
        return find_compiler()


def quick_compiler() -> Compiler:
    """The quickest compiler that is there; a user's own choice counts."""
    return _compiler(os.environ.get("CC"))


def write_unoptimised(folder: Path) -> Path:
    """A compiler that optimises nothing, whatever it is told: for commands, as ``CC``."""
    script = folder / "cc"
    script.write_text(f'#!/bin/sh\nexec {shlex.join(quick_compiler().command)} "$@" -O0\n', encoding="utf-8")
    script.chmod(0o755)
    return script
