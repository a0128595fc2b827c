"""The line on standard error that says how an exploration is going; silent off a terminal."""

from __future__ import annotations

from types import TracebackType
from typing import TYPE_CHECKING, Protocol, Self

if TYPE_CHECKING:
    from rich.console import Console
    from rich.status import Status

    from stillgate.interlocks.results.verdict import Judgement


class SearchFigures(Protocol):
    """What an exploration tells while it runs."""

    @property
    def faults(self) -> int: ...
    @property
    def states(self) -> int: ...
    @property
    def depth(self) -> int: ...
    @property
    def seconds(self) -> float: ...


class ProgressLine:
    """Shows states, rate and depth while a ``with`` block runs."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._status: Status | None = None

    def __enter__(self) -> Self:
        if self._console.is_terminal:
            self._status = self._console.status("getting ready", spinner="line")
            self._status.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._status is not None:
            self._status.stop()

    def __call__(self, progress: SearchFigures) -> None:
        """Shows how far the search is."""
        if self._status is not None:
            self._status.update(progress_words(progress))

    def decided(self, name: str, judgement: Judgement) -> None:
        """Leaves a line with a verdict that is there before the others."""
        if self._status is not None:
            from .words import fault_words

            self._console.print(f"{name}: {judgement.word.value} ({fault_words(judgement.faults)})")

    def say(self, text: str) -> None:
        """Shows what is being done when it is not exploring."""
        if self._status is not None:
            self._status.update(text)


def progress_words(progress: SearchFigures) -> str:
    """``no fault: 1 234 567 states, 9 800 000 states/s, 57 ticks deep``."""
    from .words import fault_words, grouped

    rate = ""
    if progress.seconds > 0.2:
        rate = f", {grouped(round(progress.states / progress.seconds, -3))} states/s"
    states = grouped(progress.states)
    return f"{fault_words(progress.faults)}: {states} states{rate}, {progress.depth} ticks deep"
