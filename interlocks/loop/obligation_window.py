"""In which stretch of a story a requirement was waiting before it broke: what a chart shades.

Read off the monitors' own memory, which says exactly how long they had been waiting.
"""

from __future__ import annotations

from stillgate.controller.machine_file.field_types import Ticks
from stillgate.controller.machine_file.machine import (
    Always,
    FromAnywhere,
    Invariance,
    Never,
    Precedence,
    Reach,
    Requirement,
    Response,
)

from ..requirements.requirement_times import invariance_ticks, response_ticks
from .counterexample import Replay


def waiting_window(run: Replay, name: str, requirement: Requirement) -> tuple[Ticks, Ticks]:
    """First and last tick of the obligation that the end of a replay breaks.

    A response: from the oldest trigger that was not served. An invariance: from the newest
    trigger. A precedence: from where it began to wait for what must come first. All others
    break in an instant.
    """
    last = len(run.ticks) - 1
    cell = run.loop.monitors.obligations.get(name)
    match requirement:
        case Response(within=within):
            return last - max(0, response_ticks(within, run.loop.machine.scan, run.loop.tick)), last
        case Invariance(during=during):
            length = invariance_ticks(during, run.loop.tick)
            left = run.ticks[last - 1].values[cell.name] if last and cell else 0
            return last - (1 + length - left if left else 0), last
        case Precedence():
            waiting = last
            while waiting and cell and not run.ticks[waiting - 1].values[cell.name]:
                waiting -= 1
            return waiting, last
        case Never() | Always() | Reach() | FromAnywhere():
            return last, last
