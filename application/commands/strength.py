"""``stillgate strength``: every condition and time weakened in turn, and which requirement notices."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from ..console.answers import write_exit_status
from ..console.terminal import message_console, output_console, write_line
from .check import LIMITS
from .options import Format, MachineFile, effort_option, load_document, tick_option

if TYPE_CHECKING:
    from stillgate.interlocks.results.weakenings import StrengthList

MEANINGS = {
    0: "every weakening is noticed",
    1: "some weakenings are noticed by no requirement",
    4: "some are undecided, or the tick is longer than the scan",
}


def strength(
    machine: MachineFile,
    /,
    *,
    tick: str | None = None,
    full: bool = False,
    form: Format = "text",
    threads: Annotated[int | None, Parameter(group=LIMITS)] = None,
    time_limit: Annotated[str | None, Parameter(group=LIMITS)] = None,
) -> int:
    """Weaken every condition and time in turn, and list what no requirement notices.

    Each atom of a condition is taken as true and as false, each interlock,
    override and exit removed, each time zeroed and doubled. What nobody
    notices is superfluous, or a requirement is missing.

    Exit status: 0 every weakening is noticed, 1 some are not, 4 some are
    undecided or the tick is longer than the scan, 2 the file or the command
    line is at fault, 130 interrupted.

    Parameters
    ----------
    tick
        Step of the exploration, such as '100 ms', or 'scan'. Left out: the file's, else the scan.
    full
        Before a weakening is called unnoticed look under every single fault,
        not only under those of the signals that it concerns. Takes as long as
        a check for each.
    form
        Text for a person, json for a program (stillgate schema --of strength).
    threads
        Searches at once. Left out: one a processor.
    time_limit
        Leave the rest undecided after so long, such as '10 min'.
    """
    effort = effort_option(threads=threads, time_limit=time_limit)
    document = load_document(machine, effort)
    period = tick_option(tick, document.machine.scan)

    from stillgate.interlocks.checking.checker import check_within
    from stillgate.interlocks.mutation.mutation_run import strength as weaken

    from ..console.progress import ProgressLine

    with ProgressLine(message_console()) as progress:
        result = check_within(document, effort.part(2), tick=period, progress=progress)
        found = weaken(
            document,
            result,
            full=full,
            effort=effort,
            progress=lambda done, count: progress.say(f"{done} of {count} weakenings judged"),
        )
    status = _status(found)
    if form == "json":
        from ..reports.analyses.strength import strength_document

        write_line(json.dumps(strength_document(found, str(machine)), indent=2))
    else:
        from ..reports.analyses.strength import write_strength

        write_strength(output_console(), found, str(machine))
        write_exit_status(output_console(), status, MEANINGS)
    return status


def _status(found: StrengthList) -> int:
    if any(item.noticed is False for item in found.weakenings):
        return 1
    return 4 if found.unnoticed or found.tick_caution else 0
