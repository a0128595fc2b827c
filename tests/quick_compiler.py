"""The compiler that tests build with where they build much and search little.

Most of their time would be the compiler's. clang without optimisation takes half the time that gcc
takes, and the wheel's clang is wherever the tests are installed. Whoever sets ``CC`` gets that one.
"""

from __future__ import annotations

import importlib.util
import os
import shlex
import sys
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
    # Told to leave out what it adds of itself where nothing is optimised: checks, and what a debugger reads.
    leave_out = ("-fno-sanitize=undefined", "-fno-stack-protector", "-g0")
    return (str(program), "cc", *leave_out) if program.exists() else None


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
