"""What may be said where nothing is known to differ: agreement in every scan, in some, or in none."""

from __future__ import annotations

from rich.console import Console

from stillgate.interlocks.replay_results import Replay
from stillgate.sim_io.log import Telling, Timing

from .prose import say, section
from .words import count_words, grouped


def agreement(console: Console, found: Replay, names: str) -> None:
    """Prints how far log and logic agree.

    Args:
        console: where to.
        found: a replay in which nothing is known to differ.
        names: how many signals were compared, in words.
    """
    scans = found.scans - found.begins
    if not found.untold:
        section(console, f"Log and logic agree in every scan, in {names}", style="")
        return
    why = untold_words(found.timing)
    if found.untold < scans:
        section(console, f"Log and logic agree in all that can be told, in {names}", style="")
        told = f"Of {grouped(found.untold)} of {count_words(scans, 'scan')} not everything can be told: {why}"
        say(console, told, indent=2)
        return
    section(console, "Whether log and logic agree cannot be told from this log")
    begins = ""
    if found.timing.telling is Telling.CHANGES:
        begins = " A replay of such a log has to begin at power-on ('begins: at power-on' in the column map)."
    say(console, f"{why[0].upper()}{why[1:]}{begins}", indent=2)


def untold_words(timing: Timing) -> str:
    """Why a log does not tell everything."""
    match timing.telling:
        case Telling.SCANS:
            return "records are missing there, or signals, or the time that passed, are unknown."
        case Telling.SAMPLES if timing.stated:
            return "its rows are samples, and what was between two of them is not known."
        case Telling.SAMPLES:
            return (
                "its rows are taken as samples, between which nothing is known. If there is a row wherever "
                "something changes, say in the column map how exact its time is: 'accuracy: ...'."
            )
        case Telling.CHANGES:
            return "when a signal changed is known to the stated accuracy only, or records are missing."
