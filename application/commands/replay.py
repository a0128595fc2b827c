"""``stillgate replay``: a log through the logic of a machine file, and why an output was off."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from ..console.terminal import output_console, write_line
from ..files.log_files import (
    ColumnPairs,
    Dbc,
    LogFile,
    MapFile,
    open_log_file,
    progress_line,
    require_values,
    tell_trouble,
)
from .options import Format, MachineFile, count_option, duration_option

if TYPE_CHECKING:
    from stillgate.interlocks.replay.replay_results import LogReplay, ReplayEvent

AGREES, PARTS, UNTOLD = 0, 1, 4
MOST_SHOWN = 1_000_000


def replay(
    machine: MachineFile,
    log_file: LogFile,
    /,
    *,
    layout: MapFile = None,
    column: ColumnPairs = None,
    dbc: Dbc = None,
    why: str | None = None,
    at: str | None = None,
    start: Annotated[str | None, Parameter(name="--from")] = None,
    end: Annotated[str | None, Parameter(name="--to")] = None,
    last: int | None = None,
    slack: str | None = None,
    form: Format = "text",
) -> int:
    """Run a log's inputs through the controller, in lockstep with what was recorded.

    Says where log and logic part for the first time, which requirements were
    broken on the way, what happened, and for one output why it was on or off.

      stillgate replay press.yaml press.log --why motor --at 14.2s

    Exit status: 0 log and logic agree and nothing was broken, 1 they part or
    something was broken, 4 it cannot be told from this log, 2 a file or the
    command line is at fault, 130 interrupted.

    Parameters
    ----------
    why
        An output whose reason is wanted; together with --at.
    at
        The moment: since the log's start, such as '14.2 s' or, as this prints it, '1:02:14.200'; or as the
        log's clock showed it, such as '02:00:30' or '2026-03-31 02:00:30'.
    start
        Show what happened from here on.
    end
        Show what happened up to here.
    last
        How many changes to show, the last ones; 40 if left out.
    slack
        How long recorded and computed may differ without counting; for logs with times of their own.
    form
        Text for a person, json for a program (stillgate schema --of replay).
    """
    from stillgate.controller.errors import UsageError
    from stillgate.controller.reading.reader import read_machine
    from stillgate.interlocks.replay.log_replay import replay as replay_log
    from stillgate.interlocks.replay.output_explanation import why as reason_of
    from stillgate.sim_io.logs.log import EXACT, Subject

    from ..reports.runs.replay_report import replay_document, write_replay
    from .asked_moments import LogMoments

    if (why is None) is not (at is None):
        raise UsageError("--why OUTPUT and --at TIME belong together")
    document = read_machine(machine)
    count = count_option("--last", last, 0, MOST_SHOWN)
    tolerance = duration_option("--slack", slack) or 0
    with progress_line() as progress:
        log = open_log_file(document, log_file, layout=layout, columns=column, dbc=dbc, progress=progress)
        require_values(log, log_file)
        moments = LogMoments(log)
        moment = moments.read("--at", at)
        window = moments.read("--from", start), moments.read("--to", end)
        reason = None
        if why is not None and moment is not None:
            reason = reason_of(log, document.machine, why, moment)
        found = replay_log(log, document.machine, slack=tolerance, keep=MOST_SHOWN)
        divergence = found.divergence
        reasons = [
            reason_of(log, document.machine, name, divergence.time)
            for (subject, name), _, _ in (divergence.differences if divergence else ())
            if divergence and subject is Subject.OUTPUT and found.timing == EXACT
        ]
    tell_trouble(log, log_file)
    shown = _shown(found, window, count)
    if form == "json":
        values = replay_document(found, log=str(log_file), shown=shown, why=reason, divergence_why=reasons)
        write_line(json.dumps(values, indent=2))
    else:
        write_replay(
            output_console(),
            found,
            machine=document.machine,
            log=str(log_file),
            shown=shown,
            why=reason,
            divergence_why=reasons,
        )
    if found.broken or (divergence is not None and divergence.sure):
        return PARTS
    return UNTOLD if divergence is not None or found.untold else AGREES


def _shown(
    found: LogReplay, window: tuple[int | None, int | None], count: int | None
) -> tuple[ReplayEvent, ...]:
    """The changes to show: those of the window, the last 40 unless a number or a window is given."""
    low, high = window
    inside = [
        item
        for item in found.kept
        if (low is None or item.time >= low) and (high is None or item.time <= high)
    ]
    if count is None:
        count = 40 if window == (None, None) else len(inside)
    return tuple(inside[len(inside) - min(count, len(inside)) :])
