"""How every command begins and ends: its answer first, what its exit status means last."""

from __future__ import annotations

from collections.abc import Mapping

from rich.console import Console

from stillgate.controller.expressions.durations import Milliseconds, format_duration

from .prose import say

INTERRUPTED = 130


def write_answer(console: Console, word: str, about: str, *, style: str = "bold", tick: str = "") -> None:
    """Prints ``WORD  about``.

    Args:
        word: the answer in capitals, so that it is seen without colour.
        about: of what, and how many.
        tick: what is said of a tick longer than the scan.
    """
    say(console, f"{word}{tick}  {about}", style=style, hanging=2)


def at_a_tick(tick: Milliseconds, caution: str) -> str:
    """`` AT 100 ms`` where verdicts need a caution; empty at the scan."""
    return f" AT {format_duration(tick)}" if caution else ""


def write_exit_status(console: Console, status: int, meanings: Mapping[int, str]) -> None:
    """Prints what the exit status means; nothing of an interrupt, which says so itself."""
    if status != INTERRUPTED:
        say(console, f"Exit status {status}: {meanings[status]}.")
