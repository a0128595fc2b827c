"""How far log and logic are known to agree, and why a log does not tell more."""

from __future__ import annotations

from rich.console import Console

from stillgate.interlocks.replay.replay_results import Divergence, LogReplay
from stillgate.sim_io.logs.log import RowMeaning, Timing

from ...console.prose import say, section
from ...console.words import count_words, grouped


def write_agreement(console: Console, found: LogReplay, names: str) -> None:
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
    if found.timing.meaning is RowMeaning.CHANGES:
        begins = " A replay of such a log has to begin at power-on ('begins: at power-on' in the column map)."
    say(console, f"{why[0].upper()}{why[1:]}{begins}", indent=2)


def doubt_words(divergence: Divergence) -> str:
    """Why a difference may say nothing of the controller; '' where it does."""
    if divergence.at_first:
        return (
            "This is where the log begins. If it begins in mid-run, the difference says nothing: a replay "
            "starts as after power-on, and does not know the times and edges before. Give it a log from "
            "power-on, with its earlier parts beside it."
        )
    if divergence.sure:
        return ""
    return (
        "The replay did not know everything before this moment: the log is not known to begin at "
        "power-on, or inputs, or the time that passed, were unknown for a while. So the difference may "
        "come from that. If a log of another recorder does begin at power-on, say 'begins: at power-on' "
        "in its column map."
    )


def untold_words(timing: Timing) -> str:
    """Why a log does not tell everything."""
    match timing.meaning:
        case RowMeaning.SCANS:
            return "records are missing there, or signals, or the time that passed, are unknown."
        case RowMeaning.SAMPLES if timing.stated:
            return "its rows are samples, and what was between two of them is not known."
        case RowMeaning.SAMPLES:
            return (
                "its rows are taken as samples, between which nothing is known. If there is a row wherever "
                "something changes, say in the column map how exact its time is: 'accuracy: ...'."
            )
        case RowMeaning.CHANGES:
            return "when a signal changed is known to the stated accuracy only, or records are missing."
