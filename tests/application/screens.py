"""Screens: what commands print in a pipe and on a terminal, as files that a reviewer can read.

On a terminal, escapes are written as ``␛``. What a run alone decides (seconds, rates, threads, digests,
versions, folders) is written as ``#``.
"""

from __future__ import annotations

import os
import pty
import re
import struct
import subprocess
import sys
import termios
from collections.abc import Sequence
from fcntl import ioctl
from pathlib import Path

RUN_ALONE = (
    (r"\d+\.\d\d s, \d+ threads?(, [\d.]+ million steps/s, [\d.]+ bytes a state)?", "#"),
    (r"\b[0-9a-f]{16,64}\b", "#"),
    (r"(?m)^kept from an earlier check of the same file\n", ""),
)
EXPLORED = re.compile(r"(?s)(?<=Explored)[^\n]*\n.*?\n(?=\n)")
"""What was explored: where its lines break depends on its figures, so it is kept in one line an item."""


def screen(
    folder: Path, arguments: Sequence[str], *, columns: int, terminal: bool = False, colour: bool = True
) -> str:
    """What a command prints to standard output; its last line is the exit status.

    Args:
        folder: where it runs.
        columns: width of the output.
        terminal: whether standard output is a terminal.
        colour: whether it may use colours.
    """
    environment = {**os.environ, "COLUMNS": str(columns), "TERM": "xterm-256color"}
    for name in ("NO_COLOR", "FORCE_COLOR", "STILLGATE_REPORT", "COLORTERM", "CI"):
        environment.pop(name, None)
    if not colour:
        environment["NO_COLOR"] = "1"
    command = [sys.executable, "-m", "stillgate", *arguments]
    if terminal:
        text, status = _on_terminal(command, folder, environment, columns)
    else:
        done = subprocess.run(
            command,
            cwd=folder,
            env=environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            check=False,
        )
        text, status = done.stdout.decode(), done.returncode
    lines = "".join(line.rstrip() + "\n" for line in text.splitlines())
    lines = EXPLORED.sub(lambda found: re.sub(r"\n {4}", " ", found.group()), lines)
    for pattern, shown in RUN_ALONE:
        lines = re.sub(pattern, shown, lines)
    return f"{lines}[exit status {status}]\n"


def _on_terminal(
    command: list[str], folder: Path, environment: dict[str, str], columns: int
) -> tuple[str, int]:
    ours, theirs = pty.openpty()
    ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    process = subprocess.Popen(
        command, cwd=folder, env=environment, stdout=theirs, stderr=subprocess.DEVNULL, stdin=theirs
    )
    os.close(theirs)
    pieces = []
    while True:
        try:
            piece = os.read(ours, 65536)
        except OSError:  # the other end is closed
            break
        if not piece:
            break
        pieces.append(piece)
    os.close(ours)
    return b"".join(pieces).decode().replace("\r\n", "\n").replace("\x1b", "␛"), process.wait()
