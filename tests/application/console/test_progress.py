"""Progress: on a terminal only, on standard error only."""

from __future__ import annotations

import io
from dataclasses import dataclass

from rich.console import Console

from stillgate.console.progress import ProgressLine, progress_words


@dataclass
class Search:
    """How far a search is."""

    faults: int = 1
    states: int = 1_234_567
    depth: int = 57
    seconds: float = 2.0


def test_progress_names_faults_states_rate_and_depth() -> None:
    words = progress_words(Search()).replace("\N{NO-BREAK SPACE}", " ")
    assert words == "one fault: 1 234 567 states, 617 000 states/s, 57 ticks deep"


def test_nothing_is_written_off_a_terminal() -> None:
    stream = io.StringIO()
    with ProgressLine(Console(file=stream)) as progress:
        progress(Search())
        progress.say("building")
    assert stream.getvalue() == ""


def test_a_terminal_sees_the_line_and_gets_it_cleared() -> None:
    stream = io.StringIO()
    with ProgressLine(Console(file=stream, force_terminal=True, width=100)) as progress:
        progress(Search())
    assert "57 ticks deep" in stream.getvalue()
    assert stream.getvalue().endswith("\x1b[2K") or "\x1b[?25h" in stream.getvalue()
